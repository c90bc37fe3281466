"""The reading: everything the monitor says of one window, one frozen tree.

Views take a `Reading` and nothing else. Times in nanoseconds (``_ns``) or seconds (``_s``).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from .entries import WorkerTime

if TYPE_CHECKING:
    from .contention import ContentionReading
    from .deque_readings import EndsReading, LargerStealsReading, SizesReading
    from .host_readings import HostReading
    from .parking_readings import ParkingReading
    from .rows import Int64
    from .sampled_readings import SampledPoolReading
    from .scheduler_readings import GraphReading, PromiseReading
    from .steals import StealingReading

STEALING = "work-stealing"
"""The kind of a pool whose workers take from each other's deques."""

Matrix = tuple[tuple[int, ...], ...]
"""Counts, one row a thief, one column a victim."""


@dataclass(frozen=True, slots=True)
class SkippedReading:
    """What was left out of a stream: what it was, why in words of ours, and how much."""

    what: str
    why: str
    count: int


@dataclass(frozen=True, slots=True)
class SourceReading:
    """Where the frames come from: the process watched, and how the stream fares.

    state: "connecting", "live", "stalled", "ended" or "replay". note: one line, may be empty.
    probe_cost: share of the process's worker time that the probe takes, None where unknown.
    sampled: whether the process has no probe and is only looked at from outside. processes: the
    ids of the job's processes that have been attached, pid the first of them.
    """

    target: str
    state: str
    note: str = ""
    pid: int = -1
    python: str = ""
    program: str = ""
    cores: int = 0
    uptime_s: float = 0.0
    probe_cost: float | None = None
    skipped_frames: int = 0
    skipped: tuple[SkippedReading, ...] = ()
    warning: str = ""
    sampled: bool = False
    processes: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class WorkerReading:
    """One worker: its time in the window, its deque, and what it is doing at the end of it.

    state: "working", "waiting", "searching", "parked", "between tasks", "not started", "left" or
    "closed". pid: its process, -1 where that is not known.
    doing: the kind of its task, empty outside one; for_s: how long it has been in that state.
    idle_history: share of each past second spent searching or parked, oldest first, NaN where
    nothing was recorded. depth: tasks in its deque, -1 where the pool does not say.
    """

    index: int
    name: str
    native_id: int
    ident: int
    time: WorkerTime
    depth: int
    state: str
    doing: str
    for_s: float
    idle_history: tuple[float, ...]
    tasks_finished: int
    stolen_by_it: int
    stolen_from_it: int
    pid: int = -1


@dataclass(frozen=True, eq=False)
class StealReading:
    """Looks at other deques in the window. attempts = hits + empties + lost_races, per pair.

    `counts` are these three, shape (3, workers, workers), thief by victim.
    """

    counts: Int64

    @cached_property
    def hits(self) -> Matrix:
        """Looks that took a task, per pair."""
        return _matrix(self.counts[0])

    @cached_property
    def empties(self) -> Matrix:
        """Looks that found an empty deque, per pair."""
        return _matrix(self.counts[1])

    @cached_property
    def lost_races(self) -> Matrix:
        """Looks at a task that somebody else got first, per pair."""
        return _matrix(self.counts[2])

    @property
    def attempts_total(self) -> int:
        """All looks."""
        return self.hits_total + self.empties_total + self.lost_races_total

    @property
    def hits_total(self) -> int:
        """Looks that took a task."""
        return int(self.counts[0].sum())

    @property
    def empties_total(self) -> int:
        """Looks that found an empty deque."""
        return int(self.counts[1].sum())

    @property
    def lost_races_total(self) -> int:
        """Looks at a task that somebody else got first."""
        return int(self.counts[2].sum())


def _matrix(counts: Int64) -> Matrix:
    return tuple(map(tuple, counts.tolist()))


@dataclass(frozen=True, slots=True)
class HandOverReading:
    """Who ran what whom had handed in, where all share one queue: these are no steals.

    matrix: tasks, one row a submitter (the first is outside the pool, then its workers), one
    column a worker that ran them; empty for pools that steal.
    """

    matrix: Matrix


@dataclass(frozen=True, slots=True)
class DeadWorkerReading:
    """A worker whose process or thread ended in a task: which task, and how long it had run.

    died_ns: when it was found to have ended. is_thread: whether its process goes on without it.
    exit_status: of a process whose end broke its pool, negative: the signal; None for all others.
    """

    worker: int
    pid: int
    kind: str
    run_s: float
    died_ns: int = -1
    is_thread: bool = False
    exit_status: int | None = None


@dataclass(frozen=True, slots=True)
class StayReading:
    """How many workers a pool has, and how many joined, left and died in the window.

    dead: those whose end broke the pool, and the latest of the others that died, oldest first.
    """

    present: int
    joined: int
    left: int
    died: int
    dead: tuple[DeadWorkerReading, ...]


@dataclass(frozen=True, slots=True)
class KindReading:
    """One kind of task in the window: how many ended, their summed and median run time.

    working_s, blocked_s, run_queue_wait_s: worker time that tasks of the kind took in the window,
    ended or not; over all kinds they add up to the pool's. failed: how many of those that ended
    raised. calls: what the tasks that ended held, more than these where calls are handed in by the
    batch. median_s: None where none ended.
    """

    kind: str
    finished: int
    total_s: float
    median_s: float | None
    stolen: int
    working_s: float = 0.0
    blocked_s: float = 0.0
    run_queue_wait_s: float = 0.0
    failed: int = 0
    calls: int = 0


@dataclass(frozen=True, slots=True)
class WaitReading:
    """Blocked time that waited for one sort of thing, estimated, with its 95 % interval."""

    sort: str
    seconds: float
    low_s: float
    high_s: float


@dataclass(frozen=True, slots=True)
class BlockedReading:
    """What the blocked time of a pool waited for.

    join_s, marked_s: exact, from waits that the tasks recorded. waits: the rest, split by `looks`
    at blocked workers; empty with too few of them, then unsplit_s is all the rest. one_core: the
    worker time on a core adds up to about one core while more workers than one were in tasks,
    which is how the interpreter lock looks from outside.
    """

    join_s: float
    marked_s: float
    waits: tuple[WaitReading, ...]
    looks: int
    unsplit_s: float
    one_core: bool

    def seconds(self, sort: str) -> float:
        """Return the estimate for one sort of wait, 0 where it was never seen."""
        return next((wait.seconds for wait in self.waits if wait.sort == sort), 0.0)


@dataclass(frozen=True, slots=True)
class TaskReading:
    """Tasks in the window; queued is at its end. queue_wait: spawned to started, None where no
    task ended. per_s: finished tasks a second. calls: what the finished tasks held, see
    `KindReading`.

    lost: those whose worker died in them; moved: those that a worker of another pool took.
    """

    finished: int
    failed: int
    cancelled: int
    spawned: int
    queued: int
    running: int
    median_queue_wait_s: float | None
    kinds: tuple[KindReading, ...]
    lost: int = 0
    moved: int = 0
    per_s: float = 0.0
    calls: int = 0

    @property
    def failed_share(self) -> float:
        """The share of finished tasks that failed, 0 where none finished."""
        return min(1.0, self.failed / self.finished) if self.finished else 0.0


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding: a code, a sentence, the worker-seconds it accounts for, what to try.

    evidence: what it goes by beyond the sentence. gain_s: worker-seconds that what to try would
    save, None where that cannot be said.
    """

    code: str
    worker_seconds: float
    share: float
    sentence: str
    advice: str
    evidence: str = ""
    gain_s: float | None = None


@dataclass(frozen=True, slots=True)
class QueueingReading:
    """How tasks flowed through a pool in the window, and what queueing theory says of that.

    servers: workers there on average. arrival_rate: tasks a second. mean_in_pool (L): tasks queued
    or running. mean_time_s (W) and mean_queue_wait_s: of the tasks that left in the window.
    mean_service_s: time in tasks per task run; utilisation: time in tasks per worker time.
    Variations: squared coefficients of variation of the times between arrivals and of the time
    that a task holds its worker, None where these are too few or all 0. Waits by theory: infinite
    where tasks come faster than they can be run, None where too few came. closed: nothing was in
    the pool at either end; before_s, after_s: the boundary terms, see `queueing.LittleReading`.
    """

    servers: int
    arrival_rate: float
    mean_in_pool: float
    mean_time_s: float
    mean_queue_wait_s: float
    mean_service_s: float
    utilisation: float
    arrival_variation: float | None
    service_variation: float | None
    mmc_wait_s: float | None
    allen_cunneen_wait_s: float | None
    closed: bool
    before_s: float
    after_s: float


@dataclass(frozen=True, slots=True)
class BalanceReading:
    """How evenly time in tasks was spread over `workers`.

    imbalance: the busiest over the mean, less 1; imbalance_s: the busiest less the mean.
    jain: Jain's fairness index, 1 where it is even.
    """

    workers: int
    imbalance: float
    imbalance_s: float
    jain: float


@dataclass(frozen=True, slots=True)
class PoolReading:
    """One pool over one window.

    window_s: the recorded part of the window; unrecorded_s: what was lost of it.
    core_time: what splits working from blocked, see `worker_time.PoolTime`.
    history: worker time slice by slice, oldest first, for views that draw it: each past second of a
    live pool, or equal parts of the whole window, slice_s long each. queue_lengths: the mean number
    of queued tasks in each of these slices, NaN where it is not known; empty for pools that steal.
    detail: what the probe has given up at the end of the window, "" where nothing. counted_s: the
    part of the window of which only the number of tasks is known, not in `time`; sampled_s: the
    part that is estimated, its share in tasks with the standard error sampling_error.
    blocked: what blocked time waited for, None where there was none.
    graph: None where no task began and ended in the window, or too many did, see `graph`.
    stays: None where the pool's workers are fixed. broken: why the pool cannot be used any more.
    queueing, balance: None where there is too little data for them, see `flow`.
    stealing: what the looks come to, None where the workers have no deques.
    ends, sizes: None for pools that do not steal, and where tasks went by without a row; sizes also
    where there is too little data. parking: None where tasks went by or wakes are few.
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
    core_time: str
    tasks: TaskReading
    steals: StealReading
    inbox: int
    findings: tuple[Finding, ...]
    lost_rows: int
    misuses: int
    closed: bool
    history: tuple[WorkerTime, ...]
    hand_overs: HandOverReading = HandOverReading(())
    stays: StayReading | None = None
    broken: str = ""
    detail: str = ""
    counted_s: float = 0.0
    sampled_s: float = 0.0
    sampling_error: float = 0.0
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

    @property
    def headline(self) -> Finding | None:
        """The costliest finding, None where nothing is worth one."""
        return self.findings[0] if self.findings else None

    @property
    def has_steals(self) -> bool:
        """Whether this pool's workers take from each other's deques."""
        return self.kind == STEALING


@dataclass(frozen=True, slots=True)
class StrandedReading:
    """Worker time that one pool's workers were idle while tasks were queued in another."""

    idle_pool: int
    loaded_pool: int
    seconds: float


@dataclass(frozen=True, slots=True)
class Reading:
    """All pools of one source over one window, and what the host said of its processes.

    stranded: between pairs of its pools, the costliest first. sampled: what a process without a
    probe shows from outside; it has no pools then.
    """

    source: SourceReading
    pools: tuple[PoolReading, ...]
    host: tuple[HostReading, ...] = ()
    stranded: tuple[StrandedReading, ...] = ()
    sampled: tuple[SampledPoolReading, ...] = ()

    @property
    def total(self) -> WorkerTime:
        """The worker time of all pools together."""
        return sum((pool.time for pool in self.pools), start=WorkerTime())

    @property
    def headline(self) -> tuple[PoolReading, Finding] | None:
        """The costliest finding of all pools, with its pool; None where there is none."""
        found = [(pool, pool.findings[0]) for pool in self.pools if pool.findings]
        return max(found, key=lambda pair: pair[1].worker_seconds, default=None)
