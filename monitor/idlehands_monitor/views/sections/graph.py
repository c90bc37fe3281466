"""Work, span and the bounds that follow from them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ...model.graph import EXPECTED_SHARE
from ..formatting import count, number_of, seconds
from .facts import Section, plain

if TYPE_CHECKING:
    from ...model.graph import GraphReading, StealBoundReading

GREEDY = "R. L. Graham 1966, Bell Syst. Tech. J. 45:1563-1581"
ATTEMPTS = "N. S. Arora, R. D. Blumofe, C. G. Plaxton 1998, SPAA '98:119-129"

NO_BOUND = "The bound of a greedy schedule is not given: it holds only where "


def graph(held: GraphReading | None) -> Section | None:
    """Return work and span of a computation, how long it took, and the bounds on that time."""
    if held is None:
        return None
    lead = (
        f"{number_of(held.tasks, 'task')} handed in and ended in the window, "
        f"work T1 {seconds(held.work_s)}, span Tinf {seconds(held.span_s)}, "
        f"parallelism T1/Tinf {held.parallelism:.1f}"
    )
    took = (
        f"They took {seconds(held.measured_s)} on {number_of(held.workers, 'worker')}; "
        f"with the same waits no schedule is faster than T1/P = {seconds(held.work_law_s)}, "
        "nor than Tinf"
    )
    return Section("Work and span", lead, plain(took, *_bounds(held)))


def _bounds(held: GraphReading) -> list[str]:
    if not held.whole:
        return [NO_BOUND + "no other tasks run in the window"]
    if not held.at_once:
        return [NO_BOUND + "all work is there at the start"]
    greedy = seconds(held.greedy_bound_s)
    return [
        f"A greedy schedule takes at most (T1 - Tinf)/P + Tinf = {greedy} ({GREEDY})",
        *_steals(held.steals),
    ]


def _steals(bound: StealBoundReading | None) -> list[str]:
    if bound is None:
        return []
    share = f"{bound.share:.2g}" if bound.share < 1 else f"{bound.share:.1f}"
    return [
        f"{count(bound.attempts)} steal attempts, {count(bound.hits)} of them hits: "
        f"{share} P*Tinf, which is {count(bound.bound)} attempts of {seconds(bound.attempt_s)}",
        f"With victims chosen at random at most {EXPECTED_SHARE} P*Tinf are expected ({ATTEMPTS})",
    ]
