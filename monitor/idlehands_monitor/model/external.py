"""Readings of an external process, one without a probe: its pools as they look from outside.

Part of a `Reading`. Times in seconds, shares of time from 0 to 1.
"""

from __future__ import annotations

from dataclasses import dataclass

from .findings import Finding
from .shares import Estimate, Share
from .vocabulary import ExternalCategory, ExternalState

UNANSWERED = (
    "number-of-tasks",
    "wait-in-queue",
    "starved-or-no-work",
    "steals",
    "waking",
    "hand-overs",
)
"""Figures that samples of an external process cannot give."""
RUNS_PROBED = ("-m idlehands", "idlehands")
"""What a program that `idlehands run` has started looks like from outside."""


@dataclass(frozen=True, slots=True)
class WaitShareReading:
    """One sort of wait in off-core time, and its share of all the time."""

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
    """A stack of workers, innermost frame first, and in how many samples it was found."""

    frames: tuple[PlaceReading, ...]
    samples: int


@dataclass(frozen=True, slots=True)
class ExternalTime:
    """The time split of workers, as far as it is known from outside.

    seconds: worker time that the kernel's counters cover. working, run_queue_wait: shares of it,
    exact, from those counters. parked, blocked: estimated shares, which divide the rest; None where
    no stack was read. dumps: the number of samples behind these two. waits: what the blocked time
    waited for (all off-core time where blocked is not known); wait_samples: the number of samples
    behind it.
    """

    seconds: float
    working: float
    run_queue_wait: float
    parked: Estimate | None
    blocked: Estimate | None
    dumps: int
    waits: tuple[WaitShareReading, ...]
    wait_samples: int

    @property
    def off_core(self) -> float:
        """The share in which a worker neither ran nor waited for a core."""
        return max(0.0, 1.0 - self.working - self.run_queue_wait)

    @property
    def worker_seconds(self) -> float:
        """All worker time that is known, as in `SharesOfTime`."""
        return self.seconds

    @property
    def shares(self) -> tuple[Share, ...]:
        """The shares that add up to all worker time, as in `SharesOfTime`."""
        if not self.seconds:
            return ()
        working = Share(ExternalCategory.WORKING, self.working)
        waiting = Share(ExternalCategory.RUN_QUEUE_WAIT, self.run_queue_wait)
        if self.blocked is None or self.parked is None:
            return working, waiting, Share(ExternalCategory.OFF_CORE, self.off_core)
        blocked = Share(ExternalCategory.BLOCKED, self.blocked.value, self.blocked)
        parked = Share(ExternalCategory.PARKED, self.parked.value, self.parked)
        return working, blocked, waiting, parked


@dataclass(frozen=True, slots=True)
class ExternalWorkerReading:
    """One worker of an external process. native_id: the kernel's thread id, -1 where not known.

    All in the last sample: state; waits_for, the sort of wait; place, the innermost frame, None
    where no stack was read. same_for_s, same_samples: for how long, and in how many samples up to
    the last one, it was blocked with this very stack; 0 where it was not blocked.
    """

    index: int
    name: str
    pid: int
    native_id: int
    ident: int
    time: ExternalTime
    state: ExternalState
    waits_for: str
    place: PlaceReading | None
    same_for_s: float = 0.0
    same_samples: int = 0


@dataclass(frozen=True, slots=True)
class ExternalPoolReading:
    """What looks like one pool of an external process, over one window.

    kind: a kind of pool, in the words used for pools with a probe. module: the module of the
    library whose loop the workers run. pid: the process that has the worker threads, or that
    started the worker processes. missing: why there are no stacks, empty where there are. library:
    the library of these worker processes, where the probe has no adapter for it.
    """

    name: str
    kind: str
    module: str
    pid: int
    workers: tuple[ExternalWorkerReading, ...]
    window_s: float
    time: ExternalTime
    parked_stacks: tuple[StackReading, ...]
    blocked_stacks: tuple[StackReading, ...]
    missing: str = ""
    library: str = ""
    unanswered: tuple[str, ...] = UNANSWERED
    findings: tuple[Finding, ...] = ()
    begin_ns: int = 0
    end_ns: int = 0

    @property
    def headline(self) -> Finding | None:
        """The first finding, None without findings."""
        return self.findings[0] if self.findings else None
