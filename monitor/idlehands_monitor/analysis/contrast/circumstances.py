"""What differs in versions, host and pools, and what makes a comparison doubtful. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ...model.contrast import Circumstance
from .worth import LEAST_TIME

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from .runs import PoolRun, Run

STRANGERS = "no kind of task ran on both sides: these may be captures of different jobs"
NOT_EQUALLY_BUSY = "if the job did not change that, the machine was not equally busy"
OTHERS = (
    "workers waited longer for a core than they had one, and the job left cores idle: other "
    "processes took them"
)
LEAST_WAIT, LEFT_IDLE = 0.01, 0.5
"""Shorter waits are the kernel's own. A job that uses less than this share of its cores cannot have
made its workers wait (chosen)."""
LOST = "rows were lost, and the figures leave that time out"
THINNED = "the probe recorded less to cost less, and figures are estimates"
SOURCES = (
    "time on a core was measured in different ways, so working, blocked and run-queue wait "
    "cannot be compared"
)


def circumstances(
    before: Sequence[Run], after: Sequence[Run], pairs: Sequence[tuple[str, str]]
) -> tuple[Circumstance, ...]:
    """Return what differs between the sides, as text; pairs: names of pools."""
    found = [
        Circumstance(what, _texts(before, text), _texts(after, text)) for what, text in OF_A_RUN
    ]
    for first, second in pairs:
        pools = [
            [run.pools[name] for run in side if name in run.pools]
            for side, name in ((before, first), (after, second))
        ]
        where = "" if len(pairs) == 1 else f" of pool {first}"
        found += [
            Circumstance(f"{what}{where}", _texts(pools[0], text), _texts(pools[1], text))
            for what, text in OF_A_POOL
        ]
    return tuple(one for one in found if one.before != one.after and one.before and one.after)


def notes(before: Sequence[Run], after: Sequence[Run]) -> tuple[str, ...]:
    """Return what makes the comparison doubtful, one sentence each."""
    return tuple(
        f"{name}: {what}"
        for name, side in (("before", before), ("after", after))
        for what in dict.fromkeys(_doubts(side))
    ) + tuple(_together(before, after))


def is_of_the_machine(note: str) -> bool:
    """Return whether a note says that the machine did something else on one side."""
    return note.endswith((NOT_EQUALLY_BUSY, OTHERS))


def _doubts(side: Sequence[Run]) -> Iterator[str]:
    for run in side:
        for pool in run.reading.pools:
            if pool.lost_rows or pool.unrecorded_s > 0:
                yield LOST
            if pool.thinned_s + pool.counted_s > 0:
                yield THINNED
        if _is_beside_others(run):
            yield OTHERS


def _together(before: Sequence[Run], after: Sequence[Run]) -> Iterator[str]:
    first, second = (float(np.median([_waited(run) for run in side])) for side in (before, after))
    if abs(second - first) >= LEAST_TIME:
        yield (
            f"workers waited for a core for {100 * first:.0f} % of their time before and for "
            f"{100 * second:.0f} % after: {NOT_EQUALLY_BUSY}"
        )
    kinds = [
        {kind for run in side for pool in run.pools.values() for kind in pool.lengths_s}
        for side in (before, after)
    ]
    if all(kinds) and not kinds[0] & kinds[1]:
        yield STRANGERS
    sources = {pool.core_time for run in (*before, *after) for pool in run.reading.pools}
    if len(sources) > 1:
        yield SOURCES


def _is_beside_others(run: Run) -> bool:
    """Return whether workers waited for cores that the job itself left idle."""
    total = run.reading.total
    window_ns = max((pool.end_ns - pool.begin_ns for pool in run.reading.pools), default=0)
    cores = min((host.usable_cores for host in run.reading.host), default=0.0)
    return (
        total.run_queue_wait >= max(LEAST_WAIT * total.total, total.working)
        and total.working < LEFT_IDLE * cores * window_ns
    )


def _waited(run: Run) -> float:
    """Return the share of the worker time that was waiting for a core."""
    total = run.reading.total
    return total.run_queue_wait / max(1, total.total)


def _texts(side: Sequence[Run] | Sequence[PoolRun], text: Callable[..., str]) -> str:
    """Return what the captures of a side say, each thing once."""
    return ", ".join(dict.fromkeys(filter(None, map(text, side))))


def _usable(run: Run) -> str:
    known = [f"{host.usable_cores:.3g}" for host in run.reading.host]
    return min(known, default="")


OF_A_RUN: tuple[tuple[str, Callable[[Run], str]], ...] = (
    ("Python", lambda run: run.reading.source.python),
    ("program", lambda run: run.reading.source.program),
    ("cores", lambda run: str(run.reading.source.cores or "")),
    ("usable cores", _usable),
    ("processes", lambda run: str(len(run.reading.source.processes) or "")),
)
OF_A_POOL: tuple[tuple[str, Callable[[PoolRun], str]], ...] = (
    ("kind", lambda pool: ", ".join(dict.fromkeys(one.kind for one in pool.readings))),
    ("workers", lambda pool: str(max((len(one.workers) for one in pool.readings), default=""))),
    ("time on a core from", lambda pool: max((one.core_time for one in pool.readings), default="")),
)
