"""What a reading says about its source: the process, the state of the stream, the cost of the
probe.

The cores and the age of a running process come from the machine. Those of an ended process and of a
capture come from its samples.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

import numpy as np

from idlehands.wire import IDLE_STATES, NONE, OUTCOMES

from ..ingest import PAST_FIRST
from ..ingest.rows import TOTALS
from ..model.run_clock import RunClock
from ..model.source import SkippedReading, SourceReading, TotalsReading

if TYPE_CHECKING:
    from ..ingest import CheckedFrame
    from ..ingest.sources.status import Source
    from ..ledger import Ledger
    from .machine import Machine


class Description:
    """Describes one source. The machine is asked once for each hello when the process began."""

    def __init__(self, source: Source, machine: Machine) -> None:
        self._source = source
        self._machine = machine
        self._began: tuple[CheckedFrame, float] | None = None

    def of(self, ledger: Ledger) -> SourceReading:
        """Return what is known of the source now; `ledger` holds the frames that have come from
        it."""
        status, hello = self._source.status, ledger.hello
        pid = hello.get("pid", -1)
        runs = pid > 0 and status.state.is_running
        cores, uptime_s = _sampled(ledger, pid)
        return SourceReading(
            target=self._source.target,
            state=status.state,
            note=status.note,
            pid=pid,
            python=hello.get("python", ""),
            program=hello.get("argv0", ""),
            cores=self._machine.cores(pid) if runs else cores,
            uptime_s=self._uptime_s(hello, pid) if runs else uptime_s,
            probe_cost=probe_cost(ledger),
            skipped_frames=ledger.skipped_frames,
            skipped=_skipped(ledger),
            warning=status.warning,
            is_external=hello.get("sampled", False),
            processes=tuple(sorted(pid for pid in ledger.origins if pid >= 0)),
            clock=run_clock(ledger, self._machine),
            only_totals=_only_totals(ledger),
        )

    def _uptime_s(self, hello: CheckedFrame, pid: int) -> float:
        """Return how long the process has run."""
        if self._began is None or self._began[0] is not hello:
            self._began = hello, self._machine.started_at(pid)
        return max(0.0, self._machine.wall() - self._began[1])


def run_clock(ledger: Ledger, machine: Machine) -> RunClock | None:
    """Return when timestamps of a job were, None before anything of it has arrived.

    The wall clock comes from the hello frame, which has both clocks at one moment. The zone is that
    of the reader, at the latest time in the ledger.
    """
    zero_ns = ledger.began_ns
    if zero_ns == NONE:
        return None
    hello = ledger.hello
    now_ns, hello_wall_ns = hello.get("now_ns", NONE), hello.get("wall_ns", NONE)
    if now_ns == NONE or hello_wall_ns == NONE:
        return RunClock(zero_ns)
    zone = machine.zone((hello_wall_ns + max(0, ledger.latest_ns - now_ns)) / 1e9)
    return RunClock(zero_ns, hello_wall_ns + zero_ns - now_ns, *zone)


def _only_totals(ledger: Ledger) -> TotalsReading | None:
    """Return the sum of the totals that a capture holds in the place of rows."""
    held = [values for values in ledger.totals.values() if values.size]
    if not held:
        return None
    rows = dict(zip(TOTALS, np.concatenate(held, axis=1), strict=True))
    end_ns = int((rows["begin_ns"] + rows["length_ns"]).max())
    sums = {name: int(column.sum()) for name, column in rows.items()}
    return TotalsReading(
        int(rows["begin_ns"].min()),
        end_ns,
        *(sums[name] for name in (*OUTCOMES, "handed_in")),
        *(sums[name] / 1e9 for name in ("tasks_ns", "waits_ns")),
        *(sums[f"{state}_ns"] / 1e9 for state in IDLE_STATES),
    )


def _skipped(ledger: Ledger) -> tuple[SkippedReading, ...]:
    skipped = Counter(ledger.skipped)
    if left_out := sum(pool.left_out for pool in ledger.pools.values()):
        skipped["workers", PAST_FIRST] = left_out
    return tuple(SkippedReading(*what, count) for what, count in sorted(skipped.items()))


def _sampled(ledger: Ledger, pid: int) -> tuple[int, float]:
    """Return (cores, seconds the process had run by the end) by its samples, 0 if unknown."""
    samples = ledger.processes.processes.get(pid)
    if not samples:
        return 0, 0.0
    started_ns, latest_ns = samples[-1].started_ns, ledger.latest_ns
    uptime_s = (latest_ns - started_ns) / 1e9 if started_ns != NONE else 0.0
    return max(0, samples[-1].affinity), max(0.0, uptime_s)


def probe_cost(ledger: Ledger) -> float | None:
    """Return the probe's share of the worker time over its last reports, None where unknown.

    The time goes from the first to the last report that is held of a process.
    """
    workers = sum(pool.workers for pool in ledger.pools.values())
    spent, longest = 0, 0
    for origin in ledger.origins.values():
        if len(origin.costs) > 1:
            first, last = origin.costs[0], origin.costs[-1]
            spent += last.recording_ns - first.recording_ns
            spent += last.sending_ns - first.sending_ns
            longest = max(longest, last.at_ns - first.at_ns)
    return spent / (longest * workers) if longest and workers else None
