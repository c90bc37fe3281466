"""The last state of a process, from the page that its probe left: what each worker was in. Data
only."""

from __future__ import annotations

from dataclasses import dataclass

from .vocabulary import WorkerState

SILENT_SECONDS = 3.0
"""A page is written once a second. One that has not changed for so long has missed two writes."""


@dataclass(frozen=True, slots=True)
class LastWorker:
    """One worker. doing: the kind of its task, empty outside a task. for_s: how long it had been in
    that state, None where that is not known. pid: its process, -1 where not known."""

    index: int
    state: WorkerState
    doing: str
    for_s: float | None
    pid: int = -1


@dataclass(frozen=True, slots=True)
class LastPool:
    """One open pool. workers: how many it had; listed: those that the page names.

    handed_in, ran, queued: tasks handed in, ended, and still in the queue. detail: what the probe
    had given up, empty for nothing.
    """

    name: str
    kind: str
    workers: int
    handed_in: int
    ran: int
    queued: int
    detail: str
    listed: tuple[LastWorker, ...]


@dataclass(frozen=True, slots=True)
class LastState:
    """The last state of one process.

    is_running: whether the process still runs; is_stopped: whether a signal or a debugger stopped
    it; is_resting: whether its probe has no thread, and writes nothing, until its next task.
    seen_s, began_s: when the state was written and when the process began, in seconds of the wall
    clock; began_s is None where not known. age_s: how long ago the state was written. peak_bytes:
    the most memory that the process had held. owner: the user of the folder of the page.
    """

    pid: int
    program: str
    python: str
    path: str
    owner: int
    is_running: bool
    is_stopped: bool
    is_resting: bool
    seen_s: float
    age_s: float
    began_s: float | None
    peak_bytes: int
    pools: tuple[LastPool, ...]
    pools_left_out: int

    @property
    def silent_s(self) -> float | None:
        """How long a running process has not written its state though its probe has a thread; None
        where it writes, is stopped or has ended."""
        is_silent = self.is_running and not self.is_stopped and not self.is_resting
        return self.age_s if is_silent and self.age_s >= SILENT_SECONDS else None
