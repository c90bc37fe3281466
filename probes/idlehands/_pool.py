"""What one pool reports: its spawns from outside, its kinds, its misuses.

The workers of the pool have probes of their own, see `_recorder`; this is the part that they share.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from time import monotonic_ns
from typing import Callable

from ._detail import nanoseconds_of
from ._guard import is_for_the_job
from ._notes import shown, warn
from ._off import OffWorkerProbe
from ._packed_rows import PackedRows
from ._pool_rings import SPAWN_ROWS_PER_POOL, PoolRings
from ._recorder import WorkerProbe
from ._rings import NO_TOKEN, Room, Token, is_token
from ._settings import ProbeMisuse, Settings
from ._tables import CANCELLED, MOVED, NONE, OTHER_POOL
from ._worker import LONGEST_NAME

MOST_KINDS = 1024
OTHER_KINDS = "(other kinds)"
MOST_STEPS_KEPT = 64
"""The most changes of detail that are stored; each is [when, the new step]."""

Depths = tuple[int, Sequence[int]]
_prices: list[float] = []


class PoolProbe(PoolRings):
    """The probe of one pool; made by `declare_pool`.

    Attributes: name, kind (free text: "work-stealing", "one queue"), workers (how many),
    number (its place in this process, from 0), declared_ns, misuses (counted so far).
    """

    __slots__ = (
        "closed_ns",
        "declared_ns",
        "depths",
        "failures",
        "kind",
        "kinds",
        "misuses",
        "name",
        "number",
        "off",
        "on_bound",
        "rare",
        "reports_contention",
        "revision",
        "shared_queue",
        "step",
        "steps",
        "workers",
    )

    thinned_by = ""
    """The column of `TASKS` whose moment decides in which step of detail a task is recorded."""
    first_dead: Sequence[tuple[int, int]] = ()
    """The worker processes whose end broke the pool: (id, exit status or negative signal)."""
    unwanted = False
    """Whether it has turned out to be no pool: it is forgotten, and readers get a `withdrawn`."""
    most_workers = NONE
    """How many workers a pool can have that starts them as they are needed, -1 where unknown."""
    last_step = 1
    """The last step of detail that this sort of pool can give up, see `_governor`."""

    def __init__(self, name: str, workers: int, kind: str, number: int) -> None:
        super().__init__()
        self.name = name
        self.kind = kind
        self.workers = workers
        self.number = number
        self.declared_ns = monotonic_ns()
        self.closed_ns = NONE
        self.shared_queue = False
        self.reports_contention = False
        self.kinds: dict[str, int] = {}
        self.depths: Callable[[], Depths] | None = None
        self.misuses = 0
        self.failures = 0
        self.revision = 0
        self.step = 0
        self.steps: list[list[int]] = []
        self.off = False
        # Taken only off the hot path: a new kind, a new thread, a cancelled task. Each pool has its
        # own, so that a forked child's pools do not wait for a thread that only the parent has. Its
        # holder can take it again: a signal handler may call the pool at any moment.
        self.rare = threading.RLock()
        self.on_bound: Callable[[], None] | None = None
        self.probes += [WorkerProbe(self, index) for index in range(workers)]

    def tasks_spawned(self) -> int:
        """Return how many tasks were handed in, where most leave no trace; -1 otherwise."""
        return NONE

    def workers_present(self) -> int:
        """Return how many workers there are now."""
        return self.workers

    def turn_to(self, step: int) -> None:
        """Record in the detail of `step` from now on."""
        self.step = step
        self.steps = [*self.steps[1 - MOST_STEPS_KEPT :], [monotonic_ns(), step]]
        self.revision += 1
        if step:
            for probe in self.probes:
                probe.cpu_kinds.clear()

    def price(self) -> tuple[float, float]:
        """Return nanoseconds that a task of this sort of pool costs, (recorded, counted)."""
        if not _prices:
            scratch = PoolProbe("calibration", 1, "scratch", NONE)
            worker = scratch.probes[0]

            def record() -> None:
                worker.running(worker.spawned("scratch"))
                worker.finished()

            _prices.append(nanoseconds_of(record))
        return _prices[0], _prices[0]

    def refresh(self, *, at_once: bool = False) -> None:
        """Bring up to date what changes now and then; the publisher calls it before it reads.

        Facts that are costly to find out may be some time old, unless `at_once` is set.
        """

    def name_submitters(self, rows: PackedRows) -> None:
        """Have packed task rows name the workers that submitted; here they do already."""

    def submitters(self, threads: Sequence[int], timestamps: Sequence[int]) -> Sequence[int]:
        """Return the workers that submitted, by what the rows hold; here they hold them."""
        return threads

    def open_again(self) -> bool:
        """Open a pool again that nobody uses, where its sort can; return whether it did."""
        return False

    def broken(self) -> str:
        """Return why the pool cannot be used any more, empty where no reason is known."""
        return ""

    def worker(self, index: int) -> WorkerProbe:
        """Return the probe of worker `index`. Raises ProbeMisuse when there is no such worker."""
        if not 0 <= index < self.workers:
            message = f"pool {self.name!r} has workers 0 to {self.workers - 1}, not {shown(index)}"
            self.misused(message)
            return OffWorkerProbe(self, 0)
        probe: WorkerProbe = self.probes[index]
        return probe

    def spawned(self, kind: str, size: int = NONE) -> Token:
        """Record a task that a thread outside the pool is about to hand in; return its token."""
        try:
            try:
                number = self.kinds[kind]
            except (KeyError, TypeError):
                number = self.add_kind(kind)
            ring = self.spawns
            task = ring.next_number()
            token = (task, NONE, number, monotonic_ns(), NONE, size)
            ring.keep(token)
            return token
        except Exception as error:
            self.failed(error)
            return NO_TOKEN

    def cancelled(self, token: Token) -> None:
        """Record that a queued task will never run: in its row it starts and ends now.

        Misuse: `token` is no token.
        """
        try:
            if not is_token(token):
                self.misused(f"cancelled() needs what spawned() returned, not {shown(token)}")
                return
            now = monotonic_ns()
            with self.rare:  # any thread may cancel, and this ring too has one writer at a time
                ring = self.cancellations
                if 0 < len(ring.slots) == ring.written:  # a pool may drop all that it has queued
                    ring.grow(Room.for_rows(SPAWN_ROWS_PER_POOL))
                ring.put((token, now, now, NONE, NONE, CANCELLED))
        except Exception as error:
            self.failed(error)

    def moved(self, token: Token) -> str:
        """Record that a worker of another pool took a queued task; return the task's kind."""
        if token[0] < 0:  # handed in while a probe was off
            return next(iter(self.kinds), OTHER_KINDS)
        now = monotonic_ns()
        with self.rare:
            self.cancellations.put((token, now, now, OTHER_POOL, NONE, MOVED))
        return list(self.kinds)[token[2]]

    def report_contention(self) -> None:
        """Note that the pool will report all contention at the ends of its deques."""
        self.reports_contention = True
        self.revision += 1

    def expose_depths(self, read: Callable[[], Depths]) -> None:
        """Let the probe call `read` for (inbox depth, one depth per worker's deque), in tasks.

        The probe's own thread calls it about five times a second, only while a reader is attached.
        """
        self.depths = read

    def add_kind(self, kind: object) -> int:
        """Return the number of a kind. Kinds above `MOST_KINDS` share the last number.

        Raises ProbeMisuse when `kind` is no string.
        """
        if type(kind) is not str:
            self.misused(f"a kind is a string, not {shown(kind)}")
            kind = shown(kind)
        kind = kind[:LONGEST_NAME]
        with self.rare:
            if len(self.kinds) >= MOST_KINDS:
                # Not stored: names made up for every task would fill the process's memory.
                return MOST_KINDS - 1
            if len(self.kinds) == MOST_KINDS - 1:
                self.kinds[OTHER_KINDS] = MOST_KINDS - 1
                self.revision += 1
                return MOST_KINDS - 1
            number = self.kinds.setdefault(kind, len(self.kinds))
            self.revision += 1
        return number

    def worker_bound(self) -> None:
        """Note that a worker has its thread now."""
        with self.rare:
            self.revision += 1
        if self.on_bound is not None:
            self.on_bound()

    def close(self) -> None:
        """Retire the pool: its name becomes free, and later calls do nothing."""
        if self.closed_ns < 0:
            self.closed_ns = monotonic_ns()
            self.switch_off()

    def switch_off(self) -> None:
        """Have every call on this pool do nothing, with no check in any call."""
        self.off = True
        for probe in self.probes:
            probe.__class__ = OffWorkerProbe
        self.__class__ = _OffPoolProbe

    def misused(self, message: str) -> None:
        """Raise `ProbeMisuse` in strict mode, count the misuse otherwise."""
        if Settings.strict:
            raise ProbeMisuse(message)
        self.misuses += 1

    def failed(self, error: Exception) -> None:
        """Switch this pool's record off after a hook failed, and log one warning.

        Raises the error again if it was meant for the caller: a misuse, or an exception that a
        signal handler of the job's raised while the hook ran.
        """
        if isinstance(error, ProbeMisuse) or is_for_the_job(error):
            raise error
        self.failures += 1
        if not self.off:
            self.switch_off()
            warn("probe of pool %r switched off: %r", self.name, error)


class _OffPoolProbe(PoolProbe):
    """A pool whose probe is off: every call does nothing."""

    __slots__ = ()

    def worker(self, index: int) -> WorkerProbe:
        """Return a probe that does nothing."""
        probe: WorkerProbe = self.probes[index if 0 <= index < len(self.probes) else 0]
        return probe

    def spawned(self, kind: str, size: int = NONE) -> Token:
        """Return an empty token."""
        return NO_TOKEN

    def cancelled(self, token: Token) -> None:
        """Do nothing."""

    def moved(self, token: Token) -> str:
        """Return any kind: the empty token of a pool that is off names none."""
        return next(iter(self.kinds), OTHER_KINDS)

    def worker_bound(self) -> None:
        """Do nothing."""


def off_pool(name: str, workers: int, kind: str) -> PoolProbe:
    """Return a pool probe that is off from the start; all its workers share one probe."""
    pool = PoolProbe(name, 1, kind, NONE)
    pool.workers = workers
    pool.switch_off()
    pool.forget()
    return pool
