"""What the host said of a job's processes in a window, frozen. Part of a `Reading`."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ThreadReading:
    """One worker's thread: context switches a second of its own doing and not, I/O wait."""

    native_id: int
    voluntary_switches_per_s: float | None
    nonvoluntary_switches_per_s: float | None
    io_wait_s: float | None


@dataclass(frozen=True, slots=True)
class HostReading:
    """What the host said of one process in the window; None where it does not say.

    resident_bytes: memory at the end; growth_bytes_per_minute over growth_over_s, which may reach
    back before the window; growth_is_steady: every part of that stretch was above the one before.
    usable_cores: the lesser of affinity and quota_cores (None without a quota). throttled_share:
    core time for which its control group was held back / window, above 1 where on several cores.
    io_wait_s: of its threads, waiting for block I/O.
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

    @property
    def quota_binds(self) -> bool:
        """Whether the quota leaves fewer cores than the affinity does."""
        return self.quota_cores is not None and self.quota_cores < self.affinity
