"""The host's figures of the job's processes: memory, page faults, context switches, quotas."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..formatting import count, number_of, seconds, share
from .facts import Section, plain

if TYPE_CHECKING:
    from ...model.host import HostReading
    from ...model.reading import Reading

MOST_SHOWN = 8
"""So many processes are written out; the JSON has all."""


def host(reading: Reading) -> Section | None:
    """Return a line for each process, and one for each quota; None without figures of the host."""
    shown = reading.host[:MOST_SHOWN]
    quotas = [_quota(process) for process in shown if process.quota_cores is not None]
    # Processes of one control group all have its figures.
    lines = [*map(_process, shown), *dict.fromkeys(quotas)]
    if len(reading.host) > MOST_SHOWN:
        lines.append(f"and {number_of(len(reading.host) - MOST_SHOWN, 'more process')}: see --json")
    return Section("Host", parts=plain(*lines), level=2) if lines else None


def cores_phrase(reading: Reading) -> str:
    """Return how many cores the watched process may use, empty where that is not known."""
    watched = [process for process in reading.host if process.pid == reading.source.pid]
    if watched and watched[0].quota_binds:
        return f"{usable_phrase(watched[0])} (quota)"
    cores = reading.source.cores or (watched[0].affinity if watched else 0)
    return number_of(cores, "core") if cores > 0 else ""


def usable_phrase(process: HostReading) -> str:
    """Return the usable cores, and of how many that the process may run on."""
    return f"{process.usable_cores:.3g} of {process.affinity} cores usable"


def size(value: float) -> str:
    """Write a number of bytes, in MiB or GiB (IEC 80000-13)."""
    return f"{value / 2**30:.1f} GiB" if abs(value) >= 2**30 else f"{value / 2**20:.1f} MiB"


def _process(process: HostReading) -> str:
    facts = [f"resident memory {size(process.resident_bytes)}"]
    growth = process.growth_bytes_per_minute
    if growth is not None:
        sign = "+" if growth >= 0 else "-"
        facts[0] += f" ({sign}{size(abs(growth))} per minute)"
    minor, major = process.minor_faults_per_s, process.major_faults_per_s
    if minor is not None and major is not None:
        facts.append(f"page faults {count(minor + major)}/s ({count(major)}/s from disk)")
    own, taken = process.voluntary_switches_per_s, process.nonvoluntary_switches_per_s
    if own is not None and taken is not None:
        facts.append(f"context switches {count(own)}/s voluntary and {count(taken)}/s forced")
    if process.io_wait_s is not None:
        facts.append(f"waiting for block I/O {seconds(process.io_wait_s)}")
    return f"Process {process.pid}: {', '.join(facts)}"


def _quota(process: HostReading) -> str:
    text = f"CPU quota {process.quota_cores:.3g}: {usable_phrase(process)}"
    if process.throttled_share is not None:
        text += f"; throttled: {share(process.throttled_share)} of one core's time"
    if process.throttled_periods_share is not None:
        text += f", in {share(process.throttled_periods_share)} of the quota's periods"
    return text
