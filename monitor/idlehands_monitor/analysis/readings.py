"""The reading: everything the monitor says of one window, one frozen tree.

Views take a `Reading` and nothing else. Times in nanoseconds (``_ns``) or seconds (``_s``).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from .worker_time import WorkerTime

STEALING = "work-stealing"
"""The kind of a pool whose workers take from each other's deques."""

Matrix = tuple[tuple[int, ...], ...]
"""Counts, one row a thief, one column a victim."""


@dataclass(frozen=True, slots=True)
class SourceReading:
    """Where the frames come from: the process watched, and how the stream fares.

    state: "connecting", "live", "stalled", "ended" or "replay". note: one line, may be empty.
    probe_cost: share of the process's worker time that the probe takes, None where unknown.
    sampled: whether the process has no probe and is only looked at from outside.
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
    warning: str = ""
    sampled: bool = False


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


@dataclass(frozen=True, slots=True)
class StealReading:
    """Looks at other deques in the window. attempts = hits + empties + lost_races, per pair."""

    hits: Matrix
    empties: Matrix
    lost_races: Matrix

    @property
    def attempts_total(self) -> int:
        """All looks."""
        return self.hits_total + self.empties_total + self.lost_races_total

    @property
    def hits_total(self) -> int:
        """Looks that took a task."""
        return sum(map(sum, self.hits))

    @property
    def empties_total(self) -> int:
        """Looks that found an empty deque."""
        return sum(map(sum, self.empties))

    @property
    def lost_races_total(self) -> int:
        """Looks at a task that somebody else got first."""
        return sum(map(sum, self.lost_races))


@dataclass(frozen=True, slots=True)
class HandOverReading:
    """Who ran what whom had handed in, where all share one queue: these are no steals.

    matrix: tasks, one row a submitter (the first is outside the pool, then its workers), one
    column a worker that ran them; empty for pools that steal.
    """

    matrix: Matrix


@dataclass(frozen=True, slots=True)
class DeadWorkerReading:
    """A worker whose process ended in a task: which task, and how long it had run."""

    worker: int
    pid: int
    kind: str
    run_s: float


@dataclass(frozen=True, slots=True)
class StayReading:
    """How many workers a pool has, and how many joined, left and died in the window.

    dead: the latest of those that died, oldest first.
    """

    present: int
    joined: int
    left: int
    died: int
    dead: tuple[DeadWorkerReading, ...]


@dataclass(frozen=True, slots=True)
class KindReading:
    """One kind of task in the window: how many ended, their summed and median run time."""

    kind: str
    finished: int
    total_s: float
    median_s: float
    stolen: int


@dataclass(frozen=True, slots=True)
class TaskReading:
    """Tasks in the window; queued is at its end. queue_wait: spawned to started.

    lost: those whose worker died in them.
    """

    finished: int
    failed: int
    cancelled: int
    spawned: int
    queued: int
    running: int
    median_queue_wait_s: float
    kinds: tuple[KindReading, ...]
    lost: int = 0


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding: a code, a sentence, the worker-seconds it accounts for, what to try."""

    code: str
    worker_seconds: float
    share: float
    sentence: str
    advice: str


@dataclass(frozen=True, slots=True)
class PoolReading:
    """One pool over one window.

    window_s: the recorded part of the window; unrecorded_s: what was lost of it.
    core_time: what splits working from blocked, see `worker_time.PoolTime`.
    history: worker time of each past second, oldest first, for views that draw it.
    detail: what the probe has given up at the end of the window, "" where nothing. counted_s: the
    part of the window of which only the number of tasks is known, not in `time`; sampled_s: the
    part that is estimated, its share in tasks with the standard error sampling_error.
    stays: None where the pool's workers are fixed. broken: why the pool cannot be used any more.
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

    @property
    def headline(self) -> Finding | None:
        """The costliest finding, None where nothing is worth one."""
        return self.findings[0] if self.findings else None

    @property
    def has_steals(self) -> bool:
        """Whether this pool's workers take from each other's deques."""
        return self.kind == STEALING


UNANSWERED = (
    "number-of-tasks",
    "wait-in-queue",
    "starved-or-no-work",
    "steals",
    "waking",
    "hand-overs",
)
"""What samples of a process without a probe cannot say."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A share of the time, 0 to 1, estimated from a sample, and its interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class WaitReading:
    """What off-core time went into: the sort of wait, and its share of all the time."""

    sort: str
    share: float


@dataclass(frozen=True, slots=True)
class PlaceReading:
    """One frame of a stack."""

    function: str
    file: str
    line: int


@dataclass(frozen=True, slots=True)
class StackReading:
    """Where workers were seen, innermost frame first, and in how many samples."""

    frames: tuple[PlaceReading, ...]
    samples: int


@dataclass(frozen=True, slots=True)
class SampledTime:
    """Where worker time went, as far as it can be told from outside.

    seconds: worker time that the kernel's counters cover. working, run_queue_wait: shares of it,
    from those counters, exact. parked and blocked share out the rest; None where no stack was
    read. dumps: how many samples that rests on. waits: what the blocked time, or where that is
    not known all off-core time, went into; wait_samples: how many samples that rests on.
    """

    seconds: float
    working: float
    run_queue_wait: float
    parked: Estimate | None
    blocked: Estimate | None
    dumps: int
    waits: tuple[WaitReading, ...]
    wait_samples: int

    @property
    def off_core(self) -> float:
        """The share in which a worker neither ran nor waited for a core."""
        return max(0.0, 1.0 - self.working - self.run_queue_wait)


@dataclass(frozen=True, slots=True)
class SampledWorkerReading:
    """One worker. native_id: the kernel's id, -1 where it could not be told.

    state: "working", "blocked", "parked" or "unknown", in the last sample; waits_for: the sort of
    wait it was in; place: its innermost frame there, None where no stack was read.
    """

    index: int
    name: str
    pid: int
    native_id: int
    ident: int
    time: SampledTime
    state: str
    waits_for: str
    place: PlaceReading | None


@dataclass(frozen=True, slots=True)
class SampledPoolReading:
    """What looks like one pool of a process without a probe, over one window.

    kind: what it looks like, as pools with a probe are called. module: the library's module whose
    loop its workers run. pid: the process that has the workers, or that started theirs. missing:
    why there are no stacks, empty where there are.
    """

    name: str
    kind: str
    module: str
    pid: int
    workers: tuple[SampledWorkerReading, ...]
    window_s: float
    time: SampledTime
    parked_stacks: tuple[StackReading, ...]
    blocked_stacks: tuple[StackReading, ...]
    missing: str = ""
    unanswered: tuple[str, ...] = UNANSWERED


@dataclass(frozen=True, slots=True)
class Reading:
    """All pools of one source over one window.

    sampled: what a process without a probe shows from outside; it has no pools then.
    """

    source: SourceReading
    pools: tuple[PoolReading, ...]
    sampled: tuple[SampledPoolReading, ...] = ()
