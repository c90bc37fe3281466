"""Where a reading comes from: the watched process, and the state of the stream of frames."""

from __future__ import annotations

from dataclasses import dataclass

from .run_clock import RunClock
from .vocabulary import StreamState


@dataclass(frozen=True, slots=True)
class SkippedReading:
    """What the monitor left out of a stream: what it was, why, and how many."""

    what: str
    why: str
    count: int


@dataclass(frozen=True, slots=True)
class TotalsReading:
    """The time of which a capture holds only totals a second: the oldest, for which it had no room.

    begin_ns, end_ns: of that time, on the host's monotonic clock. finished to moved: how many tasks
    ended in it by outcome. handed_in: rows of hand-ins. tasks_s to fetching_s: the time of all
    workers in tasks, in waits, and in idle intervals by state.
    """

    begin_ns: int
    end_ns: int
    finished: int
    failed: int
    cancelled: int
    lost: int
    moved: int
    handed_in: int
    tasks_s: float
    waits_s: float
    searching_s: float
    parked_s: float
    fetching_s: float


@dataclass(frozen=True, slots=True)
class SourceReading:
    """Where the frames come from: the watched process, and the state of the stream.

    note: one line, may be empty. probe_cost: the share of worker time that the probe takes, None
    where unknown. is_external: whether the process has no probe and is sampled from outside.
    processes: the ids of the job's attached processes; pid is the first of them. clock: when
    timestamps of the reading were, None before anything has arrived. only_totals: what is known of
    the time before the rows, where a capture has had to drop rows; None otherwise.
    """

    target: str
    state: StreamState
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
    is_external: bool = False
    processes: tuple[int, ...] = ()
    clock: RunClock | None = None
    only_totals: TotalsReading | None = None
