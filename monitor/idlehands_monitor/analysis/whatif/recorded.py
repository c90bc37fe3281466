"""From the ledger's rows to a program: what each recorded task did, as steps of its own time.

Pure. A task's own time is its run without its recorded waits. Where its CPU time was read, this
says how much of its own time was on a core; else its kind's measured shares do. Time in a run queue
is left out: the simulated cores make their own. A task that a task of the same window handed in is
spawned in its parent's steps, at the same point of the parent's own time; any other task comes from
outside, at its time. A recorded wait on a task of the window is a join; any other recorded wait is
time off the core.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ...ledger.rows import Recent, ran_to_end
from ..stats.order_statistics import places_of
from .program import Do, Program

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from ...ledger import PoolLedger
    from ...ledger.rows import Rows
    from ...model.arrays import Float, Int64
    from .program import Step

SPAWNS, WAITS, RESUMES, ENDS = range(4)
"""What happens in a task, in the order of events with the same timestamp."""
COLUMNS = ("task", "parent", "kind", "spawned_ns", "started_ns", "ended_ns", "cpu_ns")


@dataclass(frozen=True, slots=True)
class KindShares:
    """How the own time of a kind's tasks divides, each from 0 to 1; the rest is run-queue wait."""

    on_core: float
    off_core: float


@dataclass(frozen=True, eq=False)
class Recorded:
    """A program and what it was made of. tasks: the recorded number of each of its tasks.

    kinds: of each. began_ns, ended_ns: the first arrival and the last end.
    """

    program: Program
    tasks: Int64
    kinds: Int64
    began_ns: int
    ended_ns: int


def recorded(
    pool: PoolLedger,
    begin_ns: int,
    end_ns: int,
    shares: Sequence[KindShares],
    *,
    locked: bool = False,
) -> Recorded | None:
    """Return the tasks that were handed in, began and ended in a window as a program.

    `shares`: by kind, the last for kinds that are not known. `locked`: whether what a task does on
    a core holds the interpreter lock. None without such a task.
    """
    rows = _rows(pool, begin_ns, end_ns)
    if not len(rows["task"]):
        return None
    parents = places_of(rows["task"], rows["parent"])
    waits = Recent(pool.waits, begin_ns)
    first = int(rows["spawned_ns"].min())
    core = int(Do.LOCKED if locked else Do.CORE)
    on, off = _rates(rows, waits, shares)
    steps = tuple(
        tuple(_steps(events, core, on_core, off_core))
        for events, on_core, off_core in zip(
            _events(rows, parents, waits), on.tolist(), off.tolist(), strict=True
        )
    )
    roots = np.flatnonzero(parents < 0)
    comes = dict(zip(roots.tolist(), (rows["spawned_ns"][roots] - first).tolist(), strict=True))
    ended = int(rows["ended_ns"].max())
    return Recorded(Program(steps, comes), rows["task"], rows["kind"], first, ended)


def _rows(pool: PoolLedger, begin_ns: int, end_ns: int) -> Rows:
    store = Recent(pool.tasks, begin_ns)
    chosen = (store["spawned_ns"] >= begin_ns) & (store["ended_ns"] <= end_ns)
    chosen &= ran_to_end(store["outcome"])
    order = np.argsort(store["task"][chosen], kind="stable")
    return {name: store[name][chosen][order] for name in COLUMNS}


def _rates(rows: Rows, waits: Recent, shares: Sequence[KindShares]) -> tuple[Float, Float]:
    """Return how much of a ns of its own time each task is on a core, and off it."""
    own = (rows["ended_ns"] - rows["started_ns"]).astype(np.float64)
    waiter = places_of(rows["task"], waits["task"])
    inside = waiter >= 0
    np.subtract.at(own, waiter[inside], (waits["ended_ns"] - waits["began_ns"])[inside])
    kinds = np.where(
        (rows["kind"] >= 0) & (rows["kind"] < len(shares) - 1), rows["kind"], len(shares) - 1
    )
    on = np.array([share.on_core for share in shares])[kinds]
    off = np.array([share.off_core for share in shares])[kinds]
    read = (rows["cpu_ns"] >= 0) & (own > 0)
    part = np.minimum(1.0, rows["cpu_ns"] / np.maximum(own, 1.0))
    # What is not on a core is divided as the kind's is, into blocked and in the run queue.
    rest = np.where(on < 1, off / np.maximum(1 - on, 1e-9), 1.0)
    return np.where(read, part, on), np.where(read, (1 - part) * rest, off)


Event = tuple[int, int, int]
"""(own time since the last one, what happens, the task that it is about or −1 less a length)."""


def _events(rows: Rows, parents: Int64, waits: Recent) -> Iterator[list[Event]]:
    """Yield what happens in each task, in order."""
    children = np.flatnonzero(parents >= 0)
    waiter = places_of(rows["task"], waits["task"])
    inside = np.flatnonzero(waiter >= 0)
    joined = np.where(waits["on_task"] >= 0, places_of(rows["task"], waits["on_task"]), -1)[inside]
    length = (waits["ended_ns"] - waits["began_ns"])[inside]
    about = np.where(joined >= 0, joined, -1 - length)
    every = np.arange(len(rows["task"]))
    parts = (
        (parents[children], rows["spawned_ns"][children], SPAWNS, children),
        (waiter[inside], waits["began_ns"][inside], WAITS, about),
        (waiter[inside], waits["ended_ns"][inside], RESUMES, about),
        (every, rows["ended_ns"], ENDS, every),
    )
    who = np.concatenate([part[0] for part in parts])
    at = np.concatenate([part[1] for part in parts])
    what = np.concatenate([np.full(len(part[0]), part[2]) for part in parts])
    number = np.concatenate([part[3] for part in parts])
    order = np.lexsort((what, at, who))
    edges = np.searchsorted(who[order], np.arange(len(every) + 1))
    columns = (at[order].tolist(), what[order].tolist(), number[order].tolist())
    started = rows["started_ns"].tolist()
    for task, (low, high) in enumerate(zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)):
        yield list(_own(started[task], *(column[low:high] for column in columns)))


def _own(now: int, at: list[int], what: list[int], number: list[int]) -> Iterator[Event]:
    waiting = 0
    for time, event, about in zip(at, what, number, strict=True):
        passed = 0 if waiting else max(0, time - now)
        now = max(now, time)
        if event == WAITS:
            waiting += 1
        elif event == RESUMES:
            waiting -= 1
            continue
        yield passed, event, about


def _steps(events: list[Event], core: int, on_core: float, off_core: float) -> Iterator[Step]:
    """Yield a task's steps: own time between two events is first off the core, then on it."""
    for own, event, about in events:
        if own:
            off, on = round(own * off_core), round(own * on_core)
            if off:
                yield int(Do.OFF), off
            if on:
                yield core, on
        if event == SPAWNS:
            yield int(Do.SPAWN), about
        elif event == WAITS:
            yield (int(Do.JOIN), about) if about >= 0 else (int(Do.OFF), -1 - about)
