"""The hot path: what a pool calls while it works, written into bounded rings.

Rules that every line here keeps. A ring has one writer, its worker; a row is one slot of a list,
overwritten when the ring has gone round, so nothing grows and nothing locks. A reader (the
publisher's thread) copies slots and discards those that were overwritten during the copy. The
number of rows overwritten before they were read follows exactly from the writer's running number.
Spawns come from many threads: there each slot holds the task's token, which names its number, so a
reader sees whether the slot is the one it expects.

Nothing here blocks, does I/O, or raises into the pool unless `configure(strict=True)` asks for it,
which is the setting for development. Which calls are allowed when is stated in `_protocol`.
Touches: the clock, and the thread CPU clock where a kind of task is long enough to pay for it.
"""

from __future__ import annotations

import threading
from time import monotonic_ns, thread_time_ns
from typing import Any, Optional

from ._notes import shown
from ._packed_rows import SPAWN_BYTES, TaskRing, pack_spawn
from ._protocol import refusal
from ._raised import Raised, count, error_in
from ._rings import NO_TOKEN, Ring, Token, is_token
from ._tables import (
    CONTENTION,
    FAILED,
    FINISHED,
    IDLE_INTERVALS,
    NONE,
    OWN_DEQUE,
    PARKED,
    SEARCHING,
    TASKS,
    WAITS,
    Table,
)
from ._thief import Thief
from ._worker import TASK_ROWS_PER_POOL, RecordingPool, name_of_thread, rows_per_worker

IDLE_ROWS_PER_POOL = 1 << 14

Suspended = tuple[Token, int, int, int, int, int, int]
"""A task that waits: token, started, taken_from, cpu so far, wait began, on_task, helped."""
IdleInterval = Optional[tuple[int, int, int]]
"""The open idle interval: state, when it began, steal attempts before it."""


class WorkerProbe(Thief):
    """The probe of one worker. Only the worker's own thread calls its methods.

    The running task is in `token`, `started` and their neighbours; `token` is None outside a
    task. A task that waits goes to `stack` and comes back when the wait is over, because its
    worker can run others during the wait. `idle_interval` is the open stretch of searching or
    parking.

    The publisher reads all of these at any moment. So a row is put before its open interval ends,
    and `token` is set last: the publisher may see an interval twice; it never misses one.
    """

    __slots__ = (
        "cpu",
        "cpu_kinds",
        "errors",
        "helped",
        "ident",
        "idle_interval",
        "idle_intervals",
        "index",
        "kinds",
        "long_streak",
        "mark",
        "native_id",
        "spawns",
        "stack",
        "started",
        "taken_from",
        "tasks",
        "thread_name",
        "token",
        "waits",
    )

    def __init__(self, pool: RecordingPool, index: int) -> None:
        super().__init__(pool, index)
        self.tasks = TaskRing(rows_per_worker(TASK_ROWS_PER_POOL, pool.workers))
        self.waits = Ring(rows_per_worker(IDLE_ROWS_PER_POOL, pool.workers))
        self.idle_intervals = Ring(rows_per_worker(IDLE_ROWS_PER_POOL, pool.workers))
        self.kinds = pool.kinds
        self.spawns = pool.spawns
        self.token: Token | None = None
        self.started = self.taken_from = self.cpu = 0
        self.stack: list[Suspended] = []
        self.idle_interval: IdleInterval = None
        self.helped = 0
        self.errors: Raised = {}

    @property
    def tasks_run(self) -> int:
        """How many tasks this worker has run."""
        return self.tasks.written

    @property
    def open_token(self) -> Token | None:
        """The token of the running task, None outside a task."""
        return self.token

    def rings(self) -> tuple[tuple[Table, Any], ...]:
        """Return the tables this worker writes, with their rings."""
        return (
            (TASKS, self.tasks),
            (WAITS, self.waits),
            (IDLE_INTERVALS, self.idle_intervals),
            (CONTENTION, self.contention),
        )

    def bind(self) -> None:
        """Make the calling thread this worker. Starts the publisher if it is not running."""
        self.thread_name = name_of_thread()
        self.ident = threading.get_ident()
        self.native_id = threading.get_native_id()
        self.pool.worker_bound()

    def spawned(self, kind: str, size: int = NONE) -> Token:
        """Record a task that this worker is about to push; return the token it must carry.

        Its parent is the task that the worker is running. `size` is a hint in a unit of the
        caller's, used to compare stolen tasks with others; -1 where there is none.
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
            packed = ring.packed
            if packed is None:
                ring.slots[task & ring.mask] = token
            else:
                pack_spawn(packed, (task & ring.mask) * SPAWN_BYTES, task | ring.mask, now)
            return token
        except Exception as error:
            self.failed(error)
            return NO_TOKEN

    def adopted(self, token: Token, pool: RecordingPool) -> Token:
        """Record that this worker took a task out of another pool; return its token in this one.

        `token` is the task's token in `pool`. Follow with ``running(adopted, OTHER_POOL)``.
        """
        try:
            if not is_token(token):
                self.misused("adopted() needs the token that the other pool's spawned() returned")
                return NO_TOKEN
            here: Token = self.pool.spawned(pool.moved(token), token[5])
            return here
        except Exception as error:
            self.failed(error)
            return NO_TOKEN

    def running(self, token: Token, taken_from: int = OWN_DEQUE) -> None:
        """Begin the task of `token`. Ends an open idle interval.

        `taken_from` is `OWN_DEQUE`, `INBOX`, `OTHER_POOL` or a victim's index. Misuse: a task is
        running and does not wait.
        """
        try:
            if self.token is not None:
                self.misused(refusal("running", self))
                return
            kind = token[2]  # read even if not needed: this raises for a value that is no token
            if self.cpu_kinds and kind in self.cpu_kinds:
                self.cpu = 0
                self.mark = thread_time_ns()
            started = monotonic_ns()
            if self.idle_interval is not None:
                self._end_idle_interval(started)
            self.started = started
            self.taken_from = taken_from
            self.token = token
        except TypeError:
            self.misused(f"running() needs the token that spawned() returned, not {shown(token)}")
        except Exception as error:
            self.failed(error)

    def finished(self, outcome: int = FINISHED) -> None:
        """End the running task: it returned (`FINISHED`) or raised (`FAILED`).

        Misuse: no task is running.
        """
        try:
            ended = monotonic_ns()
            token = self.token
            if token is None:
                self.misused(refusal("finished", self))
                return
            cpu = NONE
            if self.mark >= 0:
                cpu = self.cpu + thread_time_ns() - self.mark
                self.mark = NONE
            ring = self.tasks
            row = token, self.started, ended, self.taken_from, cpu, outcome
            if ring.packed is None:
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

    def raised(self, error: BaseException) -> None:
        """End the running task, which raised `error`; its class is counted, see `_raised`.

        Misuse: no task is running, or `error` is no exception.
        """
        try:
            token, cls = self.token, error_in(error)
            if token is None:
                self.misused(refusal("raised", self))
                return
            if cls is None:
                self.misused(f"raised() needs the exception, not {shown(error)}")
            else:
                count(self.errors, token[2], cls)
        except Exception as failure:
            self.failed(failure)
        self.finished(FAILED)

    def waiting(self, on: Token | None = None) -> None:
        """Begin a wait of the running task: a join of `on`, or a wait for anything else.

        Misuse: no task is running.
        """
        try:
            token = self.token
            if token is None:
                self.misused(refusal("waiting", self))
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
        """End the wait that was begun last. Ends an open idle interval. Misuse: no wait is open."""
        try:
            if self.token is not None or not self.stack:
                self.misused(refusal("resumed", self))
                return
            now = monotonic_ns()
            if self.idle_interval is not None:
                self._end_idle_interval(now)
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
        """Begin to search other deques for work; running(), parked() or resumed() ends the search.

        A second call continues the same search. Misuse: a task is running, or the worker is parked.
        """
        try:
            if self.token is not None or (
                self.idle_interval is not None and self.idle_interval[0] == PARKED
            ):
                self.misused(refusal("searching", self))
            elif self.idle_interval is None:
                self.idle_interval = (SEARCHING, monotonic_ns(), self.attempts())
        except Exception as error:
            self.failed(error)

    def parked(self) -> None:
        """Record that the worker is about to park; ends an open search.

        Misuse: a task is running, or the worker is parked already.
        """
        try:
            if self.token is not None or (
                self.idle_interval is not None and self.idle_interval[0] == PARKED
            ):
                self.misused(refusal("parked", self))
                return
            now = monotonic_ns()
            if self.idle_interval is not None:
                self._end_idle_interval(now)
            self.idle_interval = (PARKED, now, self.attempts())
        except Exception as error:
            self.failed(error)

    def unparked(self, woken_by: int = NONE, woken_ns: int = NONE) -> None:
        """Record that the worker is awake again. Misuse: it was not parked.

        Args:
            woken_by: the worker that woke it, -1 for a thread outside the pool or unknown.
            woken_ns: `time.monotonic_ns()` when the wake was sent, -1 if unknown.
        """
        try:
            if self.idle_interval is None or self.idle_interval[0] != PARKED:
                self.misused(refusal("unparked", self))
                return
            self._end_idle_interval(monotonic_ns(), woken_by, woken_ns)
        except Exception as error:
            self.failed(error)

    def _end_idle_interval(self, now: int, woken_by: int = NONE, woken_ns: int = NONE) -> None:
        assert self.idle_interval is not None  # noqa: S101 - its callers have checked
        state, began, attempts = self.idle_interval
        self.idle_intervals.put((began, now, state, self.attempts() - attempts, woken_by, woken_ns))
        self.idle_interval = None
