"""The reading: everything the monitor says of one window, one frozen tree.

Views take a `Reading` and nothing else. Times are in nanoseconds (``_ns``) or seconds (``_s``).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from .blocked import BlockedReading
from .findings import Finding
from .queueing import BalanceReading, QueueingReading
from .source import SourceReading
from .stealing import StealReading
from .tasks import HandOverReading, TaskReading
from .vocabulary import CoreTimeSource, PoolKind
from .worker_time import WorkerTime
from .workers import LifetimesReading, WorkerReading

if TYPE_CHECKING:
    from .deques import ContentionReading, EndsReading, LargerStealsReading, SizesReading
    from .external import ExternalPoolReading
    from .graph import GraphReading
    from .host import HostReading
    from .parking import ParkingReading
    from .promises import PromiseReading
    from .run_clock import MarkReading
    from .stealing import StealingReading
    from .workers import SpeedReading


NO_HAND_OVERS = HandOverReading(())


@dataclass(frozen=True, slots=True)
class PoolReading:
    """One pool over one window.

    window_s: the recorded part of the window; unrecorded_s: the part whose rows were lost.
    core_time: what splits working from blocked, see `worker_time.PoolTime`.
    history: worker time in slices of slice_s each, oldest first, for views that draw it: each past
    second of a live pool, or equal parts of the whole window. queue_lengths: the mean number of
    queued tasks in each slice, NaN where it is not known; empty for pools that steal.
    detail: what the probe has given up at the end of the window, "" for nothing. counted_s: the
    part of the window of which only the number of tasks is known; it is not in `time`. thinned_s:
    the part that is estimated; thinning_error: the standard error of its share of time in tasks.
    blocked: what blocked time waited for, None without blocked time.
    graph: None where no task began and ended in the window, or too many did, see `analysis.graph`.
    lifetimes: None where the pool's workers are fixed. broken: why the pool can no longer be used.
    queueing, balance: None with too little data, see `flow`.
    stealing: figures of the steal attempts, None where the workers have no deques.
    ends, sizes: None for pools that do not steal, and where tasks left no row; sizes also with too
    little data. parking: None where tasks left no row, or with too few wakes. health: what limits
    the pool where a simulation shows that no change gains 5 %, "" otherwise. most_workers: how many
    workers a pool can have that starts them as they are needed, -1 for others. slowest: the worker
    that is slowest against its siblings, None with too few tasks. memory_lasts_s: after how long no
    memory is left for the pool's processes at their present steady growth, None without one.
    """

    name: str
    kind: str
    number: int
    workers: tuple[WorkerReading, ...]
    begin_ns: int
    end_ns: int
    window_s: float
    unrecorded_s: float
    time: WorkerTime
    core_time: CoreTimeSource
    tasks: TaskReading
    steals: StealReading
    inbox: int
    findings: tuple[Finding, ...]
    lost_rows: int
    misuses: int
    closed: bool
    history: tuple[WorkerTime, ...]
    hand_overs: HandOverReading = NO_HAND_OVERS
    lifetimes: LifetimesReading | None = None
    broken: str = ""
    detail: str = ""
    counted_s: float = 0.0
    thinned_s: float = 0.0
    thinning_error: float = 0.0
    queueing: QueueingReading | None = None
    balance: BalanceReading | None = None
    ends: EndsReading | None = None
    sizes: SizesReading | None = None
    parking: ParkingReading | None = None
    contention: ContentionReading | None = None
    blocked: BlockedReading | None = None
    slice_s: float = 1.0
    queue_lengths: tuple[float, ...] = ()
    pid: int = -1
    promises: tuple[PromiseReading, ...] = ()
    graph: GraphReading | None = None
    stealing: StealingReading | None = None
    larger_steals: LargerStealsReading | None = None
    health: str = ""
    most_workers: int = -1
    slowest: SpeedReading | None = None
    memory_lasts_s: float | None = None

    @property
    def size(self) -> int:
        """How many workers the pool has, or will have when it needs them."""
        return max(len(self.workers), self.most_workers)

    @property
    def headline(self) -> Finding | None:
        """The first finding, None without findings."""
        return self.findings[0] if self.findings else None

    @property
    def in_task_ns(self) -> int:
        """The worker time in tasks."""
        return self.time.working + self.time.blocked + self.time.run_queue_wait

    @property
    def has_steals(self) -> bool:
        """Whether this pool's workers take from each other's deques."""
        return self.kind == PoolKind.STEALING


@dataclass(frozen=True, slots=True)
class StrandedReading:
    """Worker time in which one pool's workers were idle while tasks were queued in another pool."""

    idle_pool: int
    loaded_pool: int
    seconds: float


@dataclass(frozen=True, slots=True)
class Reading:
    """All pools of one source over one window, and what the host reports of its processes.

    stranded: between pairs of its pools, the costliest first. external: the pools of an external
    process, as they look from outside; `pools` is empty then. marks: those inside the window.
    """

    source: SourceReading
    pools: tuple[PoolReading, ...]
    host: tuple[HostReading, ...] = ()
    stranded: tuple[StrandedReading, ...] = ()
    external: tuple[ExternalPoolReading, ...] = ()
    marks: tuple[MarkReading, ...] = ()

    @property
    def window_ns(self) -> tuple[int, int] | None:
        """When the window of all pools together begins and ends, None without a pool."""
        pools = self.pools or self.external
        if not pools:
            return None
        return min(pool.begin_ns for pool in pools), max(pool.end_ns for pool in pools)

    @property
    def total(self) -> WorkerTime:
        """The worker time of all pools together."""
        return sum((pool.time for pool in self.pools), start=WorkerTime())

    @property
    def busiest(self) -> PoolReading | None:
        """The recorded pool with most time in tasks, None without one."""
        return max(self.pools, key=lambda pool: pool.in_task_ns, default=None)

    @property
    def headline(self) -> tuple[PoolReading | ExternalPoolReading, Finding] | None:
        """The first finding of the pool where mending it gains most; None where there is none.

        A gain counts by the pool's part of all time in tasks: half of a small pool is little. A
        finding without a simulated gain comes before others only where no pool has a gain: then
        the costliest one is it.
        """
        busy = max(1, sum(pool.in_task_ns for pool in self.pools))
        parts = {id(pool): pool.in_task_ns / busy for pool in self.pools}
        pools: tuple[PoolReading | ExternalPoolReading, ...] = (*self.pools, *self.external)
        found = [(pool, pool.findings[0]) for pool in pools if pool.findings]

        def weight(
            pair: tuple[PoolReading | ExternalPoolReading, Finding],
        ) -> tuple[bool, float, float]:
            urgent, gain, cost = pair[1].weight
            return urgent, gain * parts.get(id(pair[0]), 1.0), cost

        return max(found, key=weight, default=None)
