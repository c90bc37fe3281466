"""Where a reading comes from: the process watched, and how the stream of frames fares."""

from __future__ import annotations

from dataclasses import dataclass

from .vocabulary import StreamState


@dataclass(frozen=True, slots=True)
class SkippedReading:
    """What was left out of a stream: what it was, why in words of ours, and how much."""

    what: str
    why: str
    count: int


@dataclass(frozen=True, slots=True)
class SourceReading:
    """Where the frames come from: the process watched, and how the stream fares.

    state: how the stream fares. note: one line, may be empty.
    probe_cost: share of the process's worker time that the probe takes, None where unknown.
    sampled: whether the process has no probe and is only looked at from outside. processes: the
    ids of the job's processes that have been attached, pid the first of them.
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
    sampled: bool = False
    processes: tuple[int, ...] = ()
