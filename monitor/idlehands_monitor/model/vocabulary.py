"""Every closed set of words, one enum each: written here once, used everywhere else by its name.

A member equals its string (or number) in captures and in JSON. The names that the screen and
reports show are in `views.formatting`.
"""

from __future__ import annotations

from enum import IntEnum, StrEnum

from idlehands.wire import THINNING_FACTOR


class Category(StrEnum):
    """The eight categories of worker time, in the order in which they are always shown."""

    WORKING = "working"
    BLOCKED = "blocked"
    RUN_QUEUE_WAIT = "run_queue_wait"
    DISPATCH = "dispatch"
    SEARCHING = "searching"
    WAKING = "waking"
    STARVED = "starved"
    NO_WORK = "no_work"


class ExternalCategory(StrEnum):
    """The categories of worker time of an external process, in the order they are shown in."""

    WORKING = "working"
    BLOCKED = "blocked"
    RUN_QUEUE_WAIT = "run_queue_wait"
    PARKED = "parked"
    OFF_CORE = "off_core"


class CoreTimeSource(StrEnum):
    """What splits time in tasks into working and blocked, from the worst source to the best."""

    ASSUMED = "assumed"
    TASKS = "tasks"
    PROCESS = "process"
    KERNEL = "kernel"

    @property
    def rank(self) -> int:
        """The place in that order: the worst source has 0."""
        return tuple(CoreTimeSource).index(self)


class WaitReason(StrEnum):
    """What a sample of a thread that is off the core can find it waiting for."""

    INTERPRETER_LOCK = "interpreter lock"
    LOCK = "lock"
    SLEEP = "sleep"
    INPUT_OUTPUT = "input/output"
    CHILD_PROCESS = "child process"
    OTHER = "other"


RUNNING = "running"
"""Stands in place of a reason where the thread is on a core, or waits for one."""
REASONS_BY_CODE = (*WaitReason, RUNNING)
"""The reasons, indexed by the code that samples are stored with; running has −1."""


class Verdict(StrEnum):
    """Whether a promise is kept; unknown with too little data, or where no data are recorded."""

    KEPT = "kept"
    BROKEN = "broken"
    UNKNOWN = "unknown"


class GraphGap(StrEnum):
    """What the rows do not show of a task graph; each makes its span a lower bound."""

    LOST_ROWS = "lost-rows"
    CUT_TASKS = "cut-tasks"
    UNKNOWN_PARENTS = "unknown-parents"
    UNKNOWN_HAND_INS = "unknown-hand-ins"


class StreamState(StrEnum):
    """The state of the stream of frames."""

    CONNECTING = "connecting"
    LIVE = "live"
    STALLED = "stalled"
    ENDED = "ended"
    REPLAY = "replay"

    @property
    def is_running(self) -> bool:
        """Whether the watched process still runs, as far as is known."""
        return self in (StreamState.LIVE, StreamState.STALLED)


class DetailStep(IntEnum):
    """How much detail a probe has given up to cost less: none, or all but the number of tasks."""

    FULL = 0
    NO_CPU_TIMES = 1
    THINNED = 2
    TOTALS = 3


DETAIL_NAMES = {
    DetailStep.FULL: "",
    DetailStep.NO_CPU_TIMES: "no CPU times",
    DetailStep.THINNED: f"one task in {THINNING_FACTOR}",
    DetailStep.TOTALS: "totals only",
}


class PoolKind(StrEnum):
    """The known kinds of pool; a pool may also report a kind that is not here."""

    STEALING = "work-stealing"
    THREAD_POOL = "thread pool"
    PROCESS_POOL = "process pool"
    INTERPRETER_POOL = "interpreter pool"
    LOKY_POOL = "loky pool"
    QUEUE_AND_THREADS = "queue and threads"
    THREADS = "threads"
    PROCESSES = "processes"


class WorkerState(StrEnum):
    """What a worker is doing at the end of a window."""

    WORKING = "working"
    WAITING = "waiting"
    SEARCHING = "searching"
    PARKED = "parked"
    BETWEEN_TASKS = "between tasks"
    NOT_STARTED = "not started"
    LEFT = "left"
    DIED = "died"
    CLOSED = "closed"


class ExternalState(StrEnum):
    """What a worker of an external process was doing in its last sample."""

    WORKING = "working"
    BLOCKED = "blocked"
    PARKED = "parked"
    UNKNOWN = "unknown"


class FindingCode(StrEnum):
    """The findings."""

    LOST_WORKER = "lost-worker"
    STARVED_BESIDE_WORK = "starved-beside-work"
    TOO_LITTLE_PARALLELISM = "too-little-parallelism"
    STRANDED_IN_OTHER_POOL = "stranded-in-other-pool"
    LONG_SEARCHES = "long-searches"
    INTERPRETER_LOCK = "interpreter-lock"
    BLOCKED_IN_TASK = "blocked-in-task"
    CPU_QUOTA = "cpu-quota"
    MORE_WORKERS_THAN_CORES = "more-workers-than-cores"
    MEMORY_GROWTH = "memory-growth"
    WRONG_STEAL_END = "wrong-steal-end"
    UNEVEN_VICTIMS = "uneven-victims"
    DEQUE_CONTENTION = "deque-contention"
    PARK_CHURN = "park-churn"
    TOO_FEW_WORKERS = "too-few-workers"
    BARRIER_WAIT = "barrier-wait"
    SLOW_SUBMITTER = "slow-submitter"
    SERIAL_STRETCH = "serial-stretch"
    GRAIN_TOO_FINE = "grain-too-fine"
    GRAIN_TOO_COARSE = "grain-too-coarse"
    SLOW_HAND_OVER = "slow-hand-over"
    LOCK_WAIT = "lock-wait"
    NESTED_WAIT = "nested-wait"
    CORES_BUSY_ELSEWHERE = "cores-busy-elsewhere"
    STUCK_WORKER = "stuck-worker"
    FAILING_TASKS = "failing-tasks"
    GROWING_BACKLOG = "growing-backlog"
    NEVER_STEALS = "never-steals"
    SLOW_WORKER = "slow-worker"


class PromiseCode(StrEnum):
    """The promises of a work-stealing scheduler."""

    PARKS_WHEN_EMPTY = "parks-when-empty"
    STAYS_IN_POOL = "stays-in-pool"
    WITHIN_GREEDY_BOUND = "within-greedy-bound"
    OWNERS_TAKE_NEWEST = "owners-take-newest"
    THIEVES_TAKE_OLDEST = "thieves-take-oldest"
    STOLEN_ARE_LARGER = "stolen-are-larger"
    VICTIMS_CHOSEN_EVENLY = "victims-chosen-evenly"
    ENDS_MEET_NEAR_EMPTY = "ends-meet-near-empty"
