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
class SourceReading:
    """Where the frames come from: the watched process, and the state of the stream.

    note: one line, may be empty. probe_cost: the share of worker time that the probe takes, None
    where unknown. is_external: whether the process has no probe and is sampled from outside.
    processes: the ids of the job's attached processes; pid is the first of them. clock: when
    timestamps of the reading were, None before anything has arrived.
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
