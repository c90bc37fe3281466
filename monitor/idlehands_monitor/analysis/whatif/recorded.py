"""From the ledger's rows to a program: what each recorded task did, as steps of its own time.

Pure. A task's own time is its run without its recorded waits. Where its CPU time was read, this
says how much of its own time was on a core; else its kind's measured shares do. Waits for a core,
for the interpreter lock and for other locks are left out: the simulation makes its own. A task that
a task of the same window handed in is spawned in its parent's steps, at the same point of the
parent's own time; any other task comes from outside. A recorded wait on a task of the window is a
join; any other recorded wait is time off the core.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from idlehands.wire import MOVED

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
SHARES = ("on_core", "off_core", "core_wait", "lock_wait")
MOST_TASKS = 100_000
COLUMNS = ("task", "parent", "kind", "worker", "spawned_ns", "started_ns", "ended_ns", "cpu_ns")


@dataclass(frozen=True, slots=True)
class KindShares:
    """How the own time of a kind's tasks divides, each from 0 to 1.

    on_core; off_core: blocked for its own time; core_wait: waiting for a core or the interpreter
    lock; lock_wait: for other locks.
    """

    on_core: float
    off_core: float
    core_wait: float = 0.0
    lock_wait: float = 0.0


@dataclass(frozen=True, eq=False)
class Recorded:
    """A program without arrivals, and what was recorded of its tasks, shape (tasks,) each.

    came_ns: when it was handed in, the begin of the window at the earliest. parent: place of the
    task that handed it in, -1 from outside. on_core_ns and so on: how their own time divides, of
    all tasks together. all_tasks: how many ran in the window; the program has the last of them.
    whole_s: from when the first of them came until the last one ended. moved: how many went to
    another pool.
    """

    program: Program
    task: Int64
    kind: Int64
    worker: Int64
    came_ns: Int64
    started_ns: Int64
    ended_ns: Int64
    parent: Int64
    on_core_ns: float
    off_core_ns: float
    core_wait_ns: float
    lock_wait_ns: float
    all_tasks: int
    whole_s: float
    moved: int = 0

    @property
    def outside(self) -> Int64:
        """The places of the tasks from outside, in the order in which they came."""
        places = np.flatnonzero(self.parent < 0)
        return places[np.lexsort((places, self.came_ns[places]))]


def recorded(
    pool: PoolLedger,
    begin_ns: int,
    end_ns: int,
    shares: Sequence[KindShares],
    most: int = MOST_TASKS,
) -> Recorded | None:
    """Return the last `most` tasks that began and ended in a window as a program.

    `shares`: by kind, the last for kinds that are not known. None without such a task.
    """
    rows, ran, whole_s = _rows(pool, begin_ns, end_ns, most)
    if not len(rows["task"]):
        return None
    parents = places_of(rows["task"], rows["parent"])
    waits = Recent(pool.waits, begin_ns)
    own = _own_ns(rows, waits)
    rates = _rates(rows, own, shares)
    steps = tuple(
        tuple(_steps(events, on_core, off_core))
        for events, on_core, off_core in zip(
            _events(rows, parents, waits), rates[0].tolist(), rates[1].tolist(), strict=True
        )
    )
    on, off, core_wait, lock_wait = (float((own * rate).sum()) for rate in rates)
    # Of a part of a run, tasks that were handed in before are there when it begins.
    first_ns = begin_ns if len(rows["task"]) == ran else int(rows["started_ns"].min())
    came = np.maximum(rows["spawned_ns"], max(begin_ns, first_ns))
    return Recorded(
        Program(steps),
        task=rows["task"],
        kind=rows["kind"],
        worker=rows["worker"],
        came_ns=came,
        started_ns=rows["started_ns"],
        ended_ns=rows["ended_ns"],
        parent=parents,
        on_core_ns=on,
        off_core_ns=off,
        core_wait_ns=core_wait,
        lock_wait_ns=lock_wait,
        all_tasks=ran,
        whole_s=whole_s,
        moved=int(np.count_nonzero(Recent(pool.tasks, begin_ns)["outcome"] == MOVED)),
    )


def _rows(pool: PoolLedger, begin_ns: int, end_ns: int, most: int) -> tuple[Rows, int, float]:
    """Return the rows of the last tasks, by number, how many there were in all, and how long all of
    them took together."""
    store = Recent(pool.tasks, begin_ns)
    chosen = (store["started_ns"] >= begin_ns) & (store["ended_ns"] <= end_ns)
    places = np.flatnonzero(chosen & ran_to_end(store["outcome"]))
    places = places[np.argsort(store["task"][places], kind="stable")]
    rows = {name: store[name][places] for name in COLUMNS}
    kept = _last_trees(rows, most)
    first_ns = max(begin_ns, int(rows["spawned_ns"].min(initial=end_ns)))
    whole_s = (int(rows["ended_ns"].max(initial=first_ns)) - first_ns) / 1e9
    return {name: column[kept] for name, column in rows.items()}, len(places), whole_s


def _last_trees(rows: Rows, most: int) -> Int64:
    """Return the places of the last tasks from outside, with all that they spawned.

    At most `most` tasks, but one tree of up to `MOST_TASKS` in any case; of a larger one its last
    tasks. Tasks whose parent is not there belong to a tree of which a part is missing. They are
    left out, unless every tree is such a one.
    """
    root = _roots(places_of(rows["task"], rows["parent"]))
    whole = rows["parent"][root] < 0
    kept = np.flatnonzero(whole if whole.any() else np.ones(len(root), dtype=np.bool_))
    roots, sizes = np.unique(root[kept], return_counts=True)
    latest = np.argsort(rows["spawned_ns"][roots], kind="stable")[::-1]
    if len(latest) and sizes[latest[0]] > max(most, MOST_TASKS):
        return kept[np.sort(np.argsort(rows["started_ns"][kept], kind="stable")[-most:])]
    fitting = np.cumsum(sizes[latest]) <= most
    fitting[:1] = True
    return kept[np.isin(root[kept], roots[latest][fitting])]


def _roots(parents: Int64) -> Int64:
    """Return the place of the task at the top of each task's tree; `parents`: places or -1.

    By jumping over ever more generations at once; in a circle of damaged rows any task of it.
    """
    root = np.where(parents >= 0, parents, np.arange(len(parents)))
    for _ in range(len(parents).bit_length()):
        higher = root[root]
        if np.array_equal(higher, root):
            break
        root = higher
    return root


def _own_ns(rows: Rows, waits: Recent) -> Float:
    own = (rows["ended_ns"] - rows["started_ns"]).astype(np.float64)
    waiter = places_of(rows["task"], waits["task"])
    inside = waiter >= 0
    np.subtract.at(own, waiter[inside], (waits["ended_ns"] - waits["began_ns"])[inside])
    return np.maximum(own, 0.0)


def _rates(
    rows: Rows, own: Float, shares: Sequence[KindShares]
) -> tuple[Float, Float, Float, Float]:
    """Return how much of a ns of its own time each task is in each state of `KindShares`."""
    last = len(shares) - 1
    kinds = np.where((rows["kind"] >= 0) & (rows["kind"] < last), rows["kind"], last)
    on, off, core_wait, lock_wait = (
        np.array([getattr(share, name) for share in shares])[kinds] for name in SHARES
    )
    read = (rows["cpu_ns"] >= 0) & (own > 0)
    part = np.minimum(1.0, rows["cpu_ns"] / np.maximum(own, 1.0))
    # What is not on a core is divided as the kind's is.
    rest = off + core_wait + lock_wait
    scale = np.where(read, (1 - part) / np.maximum(rest, 1e-9), 1.0)
    unknown = read & (rest <= 1e-9)
    return (
        np.where(read, part, on),
        np.where(unknown, 1 - part, off * scale),
        np.where(unknown, 0.0, core_wait * scale),
        np.where(unknown, 0.0, lock_wait * scale),
    )


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


def _steps(events: list[Event], on_core: float, off_core: float) -> Iterator[Step]:
    """Yield a task's steps: own time between two events is first off the core, then on it."""
    for own, event, about in events:
        if own:
            off, on = round(own * off_core), round(own * on_core)
            if off:
                yield int(Do.OFF), off
            if on:
                yield int(Do.CORE), on
        if event == SPAWNS:
            yield int(Do.SPAWN), about
        elif event == WAITS:
            yield (int(Do.JOIN), about) if about >= 0 else (int(Do.OFF), -1 - about)
