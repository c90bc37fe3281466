"""What the host reports of a job's processes in a window. Part of a `Reading`."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ThreadReading:
    """One worker's thread: voluntary and involuntary context switches a second, I/O wait."""

    native_id: int
    voluntary_switches_per_s: float | None
    nonvoluntary_switches_per_s: float | None
    io_wait_s: float | None


@dataclass(frozen=True, slots=True)
class HostReading:
    """What the host reports of one process in the window; None where it reports nothing.

    resident_bytes: memory at the end. growth_bytes_per_minute: over growth_over_s, which may begin
    before the window; growth_is_steady: memory was higher in every part of growth_over_s than in
    the part before. usable_cores: the smaller of affinity and quota_cores (None without a quota).
    throttled_share: core time for which its control group was throttled / window, above 1 where
    several cores were. io_wait_s: time that its threads waited for block I/O. memory_left_bytes:
    how much more memory it can take until its control group or the machine has none left.
    """

    pid: int
    covered_s: float
    resident_bytes: int
    growth_bytes_per_minute: float | None
    growth_over_s: float
    growth_is_steady: bool
    minor_faults_per_s: float | None
    major_faults_per_s: float | None
    voluntary_switches_per_s: float | None
    nonvoluntary_switches_per_s: float | None
    affinity: int
    usable_cores: float
    quota_cores: float | None
    throttled_share: float | None
    throttled_periods_share: float | None
    io_wait_s: float | None
    threads: tuple[ThreadReading, ...] = ()
    memory_left_bytes: int | None = None

    @property
    def quota_binds(self) -> bool:
        """Whether the quota leaves fewer cores than the affinity does."""
        return self.quota_cores is not None and self.quota_cores < self.affinity
