"""Work, span and the bounds that follow from them, as lines of plain text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..model.graph import EXPECTED_SHARE
from .formatting import count, number_of, seconds

if TYPE_CHECKING:
    from ..model.graph import GraphReading, StealBoundReading

GREEDY = "R. L. Graham 1966, Bell Syst. Tech. J. 45:1563-1581"
ATTEMPTS = "N. S. Arora, R. D. Blumofe, C. G. Plaxton 1998, SPAA '98:119-129"

NO_BOUND = "  The bound of a greedy schedule is not given: it holds only where "


def graph_lines(graph: GraphReading | None) -> list[str]:
    """Return what a computation was, how long it took, and between which bounds that lies."""
    if graph is None:
        return []
    on = f"on {number_of(graph.workers, 'worker')}"
    lines = [
        f"Work and span of {number_of(graph.tasks, 'task')}: work T1 {seconds(graph.work_s)}, "
        f"span Tinf {seconds(graph.span_s)}, parallelism T1/Tinf {graph.parallelism:.1f}",
        f"  They took {seconds(graph.measured_s)} {on}; no schedule is faster than T1/P = "
        f"{seconds(graph.work_law_s)}, nor than Tinf",
    ]
    if not graph.whole:
        return [
            *lines,
            NO_BOUND + "no other tasks run in the window",
        ]
    if not graph.at_once:
        return [
            *lines,
            NO_BOUND + "all work is there at the start",
        ]
    greedy = seconds(graph.greedy_bound_s)
    lines.append(f"  A greedy schedule takes at most (T1 - Tinf)/P + Tinf = {greedy} ({GREEDY})")
    return lines + _steals(graph.steals)


def _steals(bound: StealBoundReading | None) -> list[str]:
    if bound is None:
        return []
    return [
        f"  {count(bound.attempts)} steal attempts, {count(bound.hits)} of them hits: "
        f"{_share(bound.share)} P*Tinf, which is {count(bound.bound)} attempts of "
        f"{seconds(bound.attempt_s)}",
        f"  With victims chosen at random at most {EXPECTED_SHARE} P*Tinf are expected "
        f"({ATTEMPTS})",
    ]


def _share(value: float) -> str:
    return f"{value:.2g}" if value < 1 else f"{value:.1f}"
