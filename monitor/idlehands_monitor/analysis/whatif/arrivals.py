"""How work comes into a pool: all at once, so many in flight, or at its own pace.

Pure. Judged from when the tasks from outside came and ended. A batch: they come within a tenth of
the time to the last end, or in a loop so much faster than they are run that most are still there
when the last one comes, or group after group, each once all before it have ended. A closed stream:
after each hand-in nearly as many are in flight as ever and hand-ins move with ends, or hand-ins
come right after ends. Otherwise open. The limits are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ...model.whatif import Arrivals

if TYPE_CHECKING:
    from ...model.arrays import Float, Int64

AT_ONCE = 0.1
"""Hand-ins within this part of the time to the last end are all there at first."""
STILL_THERE = 0.6
"""So large a part of all tasks in flight at the last hand-in: nobody waits for these workers."""
LOOP_NS = 1_000_000
"""A loop that only hands in takes at most so long for each task: a stream that comes more slowly
and still faster than it is run is an open one, with more tasks than its workers can run."""
FULL, MOSTLY = 0.75, 0.85
"""In a closed stream so many of the most in flight are there after most of the hand-ins."""
MOVES, LEAST_VARIATION = 0.5, 0.01
"""Hand-ins move with ends if their delays vary by at most half of what the ends vary by; ends at
more even intervals than a hundredth show nothing."""
CAPPED_LEAST, CAPPED_MOST, AT_MOST, AT_TWO, NO_CLOCK = 200, 3, 0.15, 0.5, 0.3
"""Of so many hand-ins, with at least so many in flight at most, so large a part meets that number;
where two are in flight at most, half of them. The times between hand-ins vary by more than so much
of their mean."""
BURST = 0.1
LEAST = 3
"""Fewer hand-ins that had to wait for room show nothing."""


@dataclass(frozen=True, eq=False)
class Coming:
    """How tasks from outside came, in the order in which they did.

    came_ns: from the first one on. count, after_ns: of those that came upon an end: upon the how
    manyeth, and how long after it; count is 0 for those that came by themselves. in_flight: the
    most at a time.
    """

    arrivals: Arrivals
    came_ns: Int64
    count: Int64
    after_ns: Int64
    in_flight: int


def coming(came: Int64, ended: Int64, asked: Arrivals | None = None) -> Coming:
    """Recognise how tasks came that are ordered by `came`; `asked` overrides what is recognised.

    Both in ns, shape (n,), n at least 1.
    """
    ends = np.sort(ended)
    ended_before = np.searchsorted(ends, came, side="right")
    flight = np.arange(1, len(came) + 1) - ended_before
    most = _most(flight)
    groups = _groups(came, ends, ended_before)
    arrivals = asked or _recognised(came, ends, flight, grouped=groups is not None)
    by_itself = np.zeros(len(came), dtype=np.int64)
    count = by_itself
    if arrivals is Arrivals.CLOSED:
        made_room = np.arange(1, len(came) + 1) - most  # the how manyeth end did
        count = np.clip(made_room, 0, ended_before)
    elif arrivals is Arrivals.BATCH and groups is not None:
        count = groups
    after = np.where(count > 0, came - ends[np.maximum(count - 1, 0)], 0)
    return Coming(arrivals, came - came[0], count, np.maximum(after, 0), most)


def _recognised(came: Int64, ends: Int64, flight: Int64, *, grouped: bool) -> Arrivals:
    at_once = came[-1] - came[0] <= AT_ONCE * (ends[-1] - came[0])
    in_a_loop = len(came) < 2 or np.median(np.diff(came)) <= LOOP_NS
    if at_once or grouped or (in_a_loop and flight[-1] >= STILL_THERE * len(came)):
        return Arrivals.BATCH
    return Arrivals.CLOSED if _is_closed(came, ends, flight) else Arrivals.OPEN


def _groups(came: Int64, ends: Int64, ended_before: Int64) -> Int64 | None:
    """Return for each task how many ended before its group came, None where there are no groups.

    A group begins where all earlier tasks have ended. Most groups must have several tasks, and
    their hand-ins must take a small part of their time.
    """
    first = np.flatnonzero(ended_before == np.arange(len(came)))
    if len(first) < 2:
        return None
    sizes = np.diff(np.append(first, len(came)))
    last = first + sizes - 1
    taken = came[last] - came[first]
    whole = ends[last] - came[first]
    several = sizes >= 2
    if np.mean(several) < 0.5 or np.mean(taken[several] <= AT_ONCE * whole[several]) < MOSTLY:
        return None
    gaps = came[first][1:] - ends[first[1:] - 1]
    if np.median(gaps) > AT_ONCE * np.median(whole) and _spread(gaps) > MOVES:
        return None  # neither soon after the last end of a group nor always as long after it
    return np.repeat(first, sizes).astype(np.int64)


def _is_closed(came: Int64, ends: Int64, flight: Int64) -> bool:
    """Return whether nearly as many are in flight as ever, and hand-ins move with the ends.

    A clock that hands in tasks of one length keeps as many in flight, too; but then the time from
    the end that made room to the hand-in varies as much as the ends do.
    """
    if _is_capped(came, flight):
        return True
    most = _most(flight)
    waited = np.arange(most, len(came))
    if len(waited) < LEAST or np.mean(flight[waited] >= FULL * most) < MOSTLY:
        return False
    made_room = ends[waited - most]
    varies = float(np.diff(made_room).std())
    moves = float((came[waited] - made_room).std()) <= MOVES * varies
    return moves and varies >= LEAST_VARIATION * float(np.diff(made_room).mean())


def _most(flight: Int64) -> int:
    """Return how many are in flight at most, but for a burst such as that of the first hand-ins."""
    later = flight[round(len(flight) * BURST) :]
    return int(later.max()) if len(later) else int(flight.max())


def _is_capped(came: Int64, flight: Int64) -> bool:
    """Return whether the number in flight is often at its most, though hand-ins are no clock's.

    At its own pace a stream reaches its most once, the next lower numbers more and more often.
    """
    most = _most(flight)
    if len(came) < CAPPED_LEAST or most < 2:
        return False
    often = AT_MOST if most >= CAPPED_MOST else AT_TWO
    return float(np.mean(flight == most)) >= often and _spread(np.diff(came)) >= NO_CLOCK


def _spread(times: Int64 | Float) -> float:
    """Return the coefficient of variation, 0 where all are 0."""
    mean = float(np.mean(times)) if len(times) else 0.0
    return float(np.std(times)) / mean if mean > 0 else 0.0
