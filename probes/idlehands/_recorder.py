"""The hot path: what a pool calls while it works, written into bounded rings.

Rules that every line here keeps. A ring has one writer, its worker; a row is one slot of a
list, overwritten when the ring has gone round, so nothing grows and nothing locks. A reader
(the outlet thread) copies slots and throws away those that were overwritten meanwhile; what
was overwritten before it was read is counted, exactly, from the writer's running number.
Spawns come from many threads: there each slot holds the task's own token, which names its
number, so a reader sees whether the slot is the one it expects.

Nothing here blocks, does I/O, or raises into the pool unless `configure(strict=True)` asks
for it, which is the setting for development. Touches: the clock, and the thread CPU clock
where a kind of task is long enough to pay for it.
"""

from __future__ import annotations

import threading
from time import monotonic_ns, thread_time_ns
from typing import TYPE_CHECKING, Any

from ._notes import shown
from ._rings import NO_TOKEN, Ring, Room, Token
from ._tables import (
    FINISHED,
    GAPS,
    MEETINGS,
    NONE,
    OWN_DEQUE,
    PARKED,
    SEARCHING,
    TASKS,
    WAITS,
    Table,
)
from ._words import SPAWN_BYTES, TaskRing, pack_spawn

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ._pool import PoolProbe

TASK_ROWS_PER_POOL = 1 << 15
GAP_ROWS_PER_POOL = 1 << 14
MEETING_ROWS_PER_POOL = 1 << 13
LEAST_ROWS_PER_WORKER = 1 << 8

CPU_READ_NS = 570
"""What one read of the thread CPU clock costs (measured; two are needed a task)."""
CPU_WORTH_NS = 2 * CPU_READ_NS * 200
"""A task this long spends under 0.5 % of itself on having its CPU time read."""
CPU_STREAK = 4
"""So many long tasks of a kind in a row, among those weighed, before its CPU time is read."""
LONGEST_NAME = 200
"""Characters of a kind's or a thread's name: all kinds together must fit in one frame."""
WEIGHED_ROWS = 16
"""So many of the rows that are sent together are weighed."""


Suspended = tuple[Token, int, int, int, int, int, int]
"""A task that waits: token, started, taken_from, cpu so far, wait began, on_task, helped."""


class WorkerSense:
    """What the outlet and every sort of worker share: who it is, and which kinds' CPU is read.

    It leaves the slots to those who derive from it, for a class can have but one base with slots.
    """

    cpu_kinds: set[int]
    ident: int
    index: int
    long_streak: dict[int, int]
    mark: int
    native_id: int
    pool: Any
    thread_name: str

    def __init__(self, index: int) -> None:
        self.index = index
        self.mark = NONE
        self.cpu_kinds = set()
        self.long_streak = {}
        self.ident = self.native_id = NONE
        self.thread_name = ""

    def weigh(self, rows: Sequence[Any]) -> None:
        """Choose the kinds of task whose CPU time is read, from rows of tasks just ended.

        The outlet calls this with what it is about to send: nobody needs CPU times that nobody
        reads, and the worker is spared the sum.
        """
        if self.pool.step:
            return
        for row in rows[:: max(1, len(rows) // WEIGHED_ROWS)]:
            kind = row[0][2]
            if row[2] - row[1] < CPU_WORTH_NS:
                self.cpu_kinds.discard(kind)
                self.long_streak[kind] = 0
            elif kind not in self.cpu_kinds:
                self.long_streak[kind] = self.long_streak.get(kind, 0) + 1
                if self.long_streak[kind] >= CPU_STREAK:
                    self.cpu_kinds.add(kind)


def _rows_of(rows: int, workers: int) -> int:
    """Return how many rows of a pool each worker's ring holds."""
    return max(LEAST_ROWS_PER_WORKER, Room.for_rows(rows) // workers)


def present_thread() -> threading.Thread | None:
    """Return the thread that calls this, None where `threading` does not know it.

    To ask for the current thread would make an entry for it among the program's threads.
    """
    known: dict[int, threading.Thread] = getattr(threading, "_active", {})
    return known.get(threading.get_ident())


def name_of_thread() -> str:
    """Return the present thread's name: of bounded length, whatever it was set to."""
    name = getattr(present_thread(), "_name", "")
    return name[:LONGEST_NAME] if type(name) is str else ""


class WorkerProbe(WorkerSense):
    """What one worker tells about itself. Only the worker's own thread calls its methods.

    The task in hand is in `token`, `started` and their neighbours; `token` is None outside a
    task. A task that waits goes to `stack` and comes back when the wait is over, because
    meanwhile the worker can run (help with) others. `gap` is the open searching or parked
    stretch. The outlet reads all of these at any moment: so a row is put before its open
    interval goes, and `token` is set last; in between an interval is seen twice, never lost.
    """

    __slots__ = (
        "cpu",
        "cpu_kinds",
        "empties",
        "gap",
        "gaps",
        "helped",
        "hits",
        "ident",
        "index",
        "kinds",
        "long_streak",
        "lost_races",
        "mark",
        "meetings",
        "native_id",
        "pool",
        "spawns",
        "stack",
        "started",
        "taken_from",
        "tasks",
        "thread_name",
        "token",
        "waits",
    )

    def __init__(self, pool: PoolProbe, index: int) -> None:
        super().__init__(index)
        self.pool = pool
        self.tasks = TaskRing(_rows_of(TASK_ROWS_PER_POOL, pool.workers))
        self.waits = Ring(_rows_of(GAP_ROWS_PER_POOL, pool.workers))
        self.gaps = Ring(_rows_of(GAP_ROWS_PER_POOL, pool.workers))
        self.meetings = Ring(_rows_of(MEETING_ROWS_PER_POOL, pool.workers))
        self.kinds = pool.kinds
        self.spawns = pool.spawns
        self.token: Token | None = None
        self.started = self.taken_from = self.cpu = 0
        self.stack: list[Suspended] = []
        self.gap: tuple[int, int, int] | None = None
        self.helped = 0
        self.hits = [0] * pool.workers
        self.empties = [0] * pool.workers
        self.lost_races = [0] * pool.workers

    @property
    def tasks_run(self) -> int:
        """How many tasks it has run."""
        return self.tasks.written

    @property
    def open_token(self) -> Token | None:
        """The token of the task in hand, None outside a task."""
        return self.token

    def rings(self) -> tuple[tuple[Table, Any], ...]:
        """Return the tables this worker writes, with their rings."""
        return (
            (TASKS, self.tasks),
            (WAITS, self.waits),
            (GAPS, self.gaps),
            (MEETINGS, self.meetings),
        )

    def bind(self) -> None:
        """Say that the calling thread is this worker. Starts the outlet if it is not running."""
        self.thread_name = name_of_thread()
        self.ident = threading.get_ident()
        self.native_id = threading.get_native_id()
        self.pool.worker_bound()

    def spawned(self, kind: str, size: int = NONE) -> Token:
        """Record a task that this worker is about to push; return the token it must carry.

        Its parent is the task the worker is running. `size` is a hint in the caller's own
        unit, used to compare stolen with kept tasks.
        """
        try:
            try:
                number = self.kinds[kind]
            except (KeyError, TypeError):
                number = self.pool.add_kind(kind)
            parent = self.token
            ring = self.spawns
            task = ring.next_number()
            now = monotonic_ns()
            token = (task, NONE if parent is None else parent[0], number, now, self.index, size)
            words = ring.words
            if words is None:
                ring.slots[task & ring.mask] = token
            else:
                pack_spawn(words, (task & ring.mask) * SPAWN_BYTES, task | ring.mask, now)
            return token
        except Exception as error:
            self.failed(error)
            return NO_TOKEN

    def adopted(self, token: Token, pool: PoolProbe) -> Token:
        """Record that this worker took a task out of another pool; return its token in this one.

        `token` is what the task bears in `pool`. Follow with ``running(adopted, OTHER_POOL)``.
        """
        try:
            if type(token) is not tuple or len(token) != len(NO_TOKEN):
                self.misused("adopted() needs the token that the other pool's spawned() returned")
                return NO_TOKEN
            here: Token = self.pool.spawned(pool.moved(token), token[5])
            return here
        except Exception as error:
            self.failed(error)
            return NO_TOKEN

    def running(self, token: Token, taken_from: int = OWN_DEQUE) -> None:
        """The worker begins the task of `token`, taken from its own deque, the inbox or a victim.

        Ends an open search. Misuse: a task is already running and has not said it waits.
        """
        try:
            if self.token is not None:
                self.misused("running() while a task runs and has not said waiting()")
                return
            kind = token[2]  # looked at even if not needed: what is no token shows here
            if self.cpu_kinds and kind in self.cpu_kinds:
                self.cpu = 0
                self.mark = thread_time_ns()
            started = monotonic_ns()
            if self.gap is not None:
                self._end_gap(started)
            self.started = started
            self.taken_from = taken_from
            self.token = token
        except TypeError:
            self.misused(f"running() needs the token that spawned() returned, not {shown(token)}")
        except Exception as error:
            self.failed(error)

    def finished(self, outcome: int = FINISHED) -> None:
        """The running task returned (`FINISHED`) or raised (`FAILED`). Misuse: none is running."""
        try:
            ended = monotonic_ns()
            token = self.token
            if token is None:
                self.misused("finished() without running()")
                return
            cpu = NONE
            if self.mark >= 0:
                cpu = self.cpu + thread_time_ns() - self.mark
                self.mark = NONE
            ring = self.tasks
            row = token, self.started, ended, self.taken_from, cpu, outcome
            if ring.words is None:
                number = ring.written
                ring.slots[number & ring.mask] = row
                ring.written = number + 1
            else:
                ring.put(row)
            self.token = None
            if self.stack:
                self.helped += 1
        except Exception as error:
            self.failed(error)

    def waiting(self, on: Token | None = None) -> None:
        """The running task begins a wait: a join of `on`, or anything else. Misuse: none runs."""
        try:
            token = self.token
            if token is None:
                self.misused("waiting() outside a task")
                return
            now = monotonic_ns()
            cpu = NONE
            if self.mark >= 0:
                cpu = self.cpu + thread_time_ns() - self.mark
                self.mark = NONE
            on_task = NONE if on is None else on[0]
            self.stack.append(
                (token, self.started, self.taken_from, cpu, now, on_task, self.helped)
            )
            self.token = None
            self.helped = 0
        except Exception as error:
            self.failed(error)

    def resumed(self) -> None:
        """The wait is over; an open search ends with it. Misuse: no wait is open."""
        try:
            if self.token is not None or not self.stack:
                self.misused("resumed() without waiting()")
                return
            now = monotonic_ns()
            if self.gap is not None:
                self._end_gap(now)
            token, self.started, self.taken_from, cpu, began, on_task, helped = self.stack[-1]
            self.waits.put((token[0], began, now, on_task, self.helped))
            self.helped = helped
            self.token = token
            del self.stack[-1]
            if cpu >= 0:
                self.cpu = cpu
                self.mark = thread_time_ns()
        except Exception as error:
            self.failed(error)

    def searching(self) -> None:
        """The worker begins to look at other deques; running(), parked() or resumed() ends it."""
        try:
            if self.token is not None or (self.gap is not None and self.gap[0] == PARKED):
                self.misused("searching() inside a running task or while parked")
            elif self.gap is None:
                self.gap = (SEARCHING, monotonic_ns(), self._looks())
        except Exception as error:
            self.failed(error)

    def missed(self, victim: int) -> None:
        """A look at `victim`'s deque found it empty. Misuse: no such worker."""
        try:
            # A negative index would count from the end without an error, so it is sent past it.
            self.empties[victim if victim >= 0 else self.pool.workers] += 1
        except Exception as error:
            self.no_such_victim(victim, error)

    def stolen(self, victim: int) -> None:
        """A task was taken from `victim`'s deque. Misuse: no such worker."""
        try:
            self.hits[victim if victim >= 0 else self.pool.workers] += 1
        except Exception as error:
            self.no_such_victim(victim, error)

    def lost_race(self, victim: int, length: int = NONE) -> None:
        """`victim` had a task when looked at, and somebody else got it. Misuse: no such worker.

        `length` is how many tasks its deque had then, if known.
        """
        try:
            self.lost_races[victim if victim >= 0 else self.pool.workers] += 1
            if length >= 0:
                self.meetings.put((monotonic_ns(), victim, length, NONE))
        except Exception as error:
            self.no_such_victim(victim, error)

    def met(self, owner: int, length: int = NONE, waited_ns: int = 0) -> None:
        """An operation of this worker at the end of `owner`'s deque had to wait for another one.

        It waited `waited_ns`; when it got through the deque held `length` tasks. Misuse: no such
        worker.
        """
        try:
            if not 0 <= owner < self.pool.workers:
                self.no_such_victim(owner, IndexError())
                return
            self.meetings.put((monotonic_ns(), owner, length, waited_ns))
        except Exception as error:
            self.no_such_victim(owner, error)

    def parked(self) -> None:
        """The worker is about to park; ends an open search. Misuse: inside a running task."""
        try:
            if self.token is not None or (self.gap is not None and self.gap[0] == PARKED):
                self.misused("parked() inside a running task or twice")
                return
            now = monotonic_ns()
            if self.gap is not None:
                self._end_gap(now)
            self.gap = (PARKED, now, self._looks())
        except Exception as error:
            self.failed(error)

    def unparked(self, woken_by: int = NONE, woken_ns: int = NONE) -> None:
        """The worker is awake again, woken by `woken_by` who sent the wake at `woken_ns`."""
        try:
            if self.gap is None or self.gap[0] != PARKED:
                self.misused("unparked() without parked()")
                return
            self._end_gap(monotonic_ns(), woken_by, woken_ns)
        except Exception as error:
            self.failed(error)

    def _end_gap(self, now: int, woken_by: int = NONE, woken_ns: int = NONE) -> None:
        assert self.gap is not None  # noqa: S101 - both callers have just looked
        state, began, looks = self.gap
        self.gaps.put((began, now, state, self._looks() - looks, woken_by, woken_ns))
        self.gap = None

    def _looks(self) -> int:
        # Summed here, once a gap, so that a failed look stays a single increment.
        return sum(self.empties) + sum(self.hits) + sum(self.lost_races)

    def no_such_victim(self, victim: object, error: Exception) -> None:
        """Report a victim that is not an index of this pool."""
        if isinstance(error, (IndexError, TypeError)):
            self.misused(f"victim {shown(victim)} is not a worker of a pool of {self.pool.workers}")
        else:
            self.failed(error)

    def misused(self, message: str) -> None:
        """Raise `ProbeMisuse` in strict mode, count it otherwise."""
        self.pool.misused(f"worker {self.index}: {message}")

    def failed(self, error: Exception) -> None:
        """Pass misuse on; for anything else switch the probe off and let the pool run."""
        self.pool.failed(error)
