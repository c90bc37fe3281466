"""Work, span and the bounds that follow from them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ...model.graph import EXPECTED_SHARE
from ...model.vocabulary import GraphGap
from ..foreign_text import bounded
from ..formatting import bars, count, number_of, seconds, share
from .facts import Column, Section, Table, plain

if TYPE_CHECKING:
    from ...model.graph import CriticalReading, GraphReading, StealBoundReading
    from .facts import Part

GREEDY = "R. L. Graham 1966, Bell Syst. Tech. J. 45:1563-1581"
ATTEMPTS = "N. S. Arora, R. D. Blumofe, C. G. Plaxton 1998, SPAA '98:119-129"

GAPS = {
    GraphGap.LOST_ROWS: "rows of the window are missing",
    GraphGap.CUT_TASKS: "other tasks ran in the window that did not begin and end in it",
    GraphGap.UNKNOWN_PARENTS: "the tasks that handed in some of the tasks are not recorded",
    GraphGap.UNKNOWN_HAND_INS: "the rows do not show why tasks came from outside after the first "
    "one had ended",
}
MOST_KINDS, MOST_STRETCHES = 12, 5
"""So many kinds and stretches of the critical path are written out; the JSON has more."""
KIND_CELLS = 20

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
    parts = (*plain(took, *_missing(held)), *_critical(held.critical), *plain(*_bounds(held)))
    return Section("Work and span", lead, parts)


def _missing(held: GraphReading) -> list[str]:
    if not held.missing:
        return []
    why = "; ".join(GAPS[gap] for gap in held.missing)
    if held.work_is_bound:
        return [f"T1 and Tinf are at least this large: {why}"]
    return [f"Tinf is at least this long, and T1/Tinf at most this large: {why}"]


def _critical(held: CriticalReading | None) -> tuple[Part, ...]:
    if held is None:
        return ()
    longest = sorted(held.path, key=lambda one: -one.length_s)[:MOST_STRETCHES]
    path = (
        f"The critical path leads through {number_of(held.tasks, 'task')} in "
        f"{number_of(held.stretches, 'stretch')}; the longest: "
    ) + ", ".join(
        f"{seconds(one.length_s)} of {bounded(one.kind)} (task {one.task}) {_since(one.began_s)}"
        for one in longest
    )
    more = len(held.kinds) - MOST_KINDS
    kinds = plain(f"and {number_of(more, 'more kind')}: see --json") if more > 0 else ()
    return (*plain(path), _kinds(held), *kinds, *plain(*_over_time(held)))


def _kinds(held: CriticalReading) -> Table:
    heads = ("tasks", "work", "on path", "share", "slack", "median")
    rows = tuple(
        (
            bounded(one.kind),
            count(one.tasks),
            seconds(one.work_s),
            seconds(one.path_s),
            share(one.path_share),
            seconds(one.least_slack_s),
            seconds(one.median_slack_s),
        )
        for one in held.kinds[:MOST_KINDS]
    )
    columns = (Column(head, to_right=True) for head in heads)
    return Table((Column("kind", cells=KIND_CELLS), *columns), rows)


def _over_time(held: CriticalReading) -> list[str]:
    most = max(held.could_run)
    drawn = bars(held.could_run, most)
    found = [f"Tasks that can run, over Tinf: {drawn} up to {most:.1f} on unlimited workers"]
    alone = held.serial
    if alone is not None:
        found.append(
            f"In {seconds(alone.total_s)} of Tinf ({share(alone.share)}) only one task can run, "
            f"however many workers there are; the longest such stretch takes "
            f"{seconds(alone.longest_s)} {_since(alone.longest_began_s)}, "
            f"most of it {bounded(alone.kind)}"
        )
    return found


def _since(began_s: float) -> str:
    return f"from {seconds(began_s)} on" if began_s else "from the start on"


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
