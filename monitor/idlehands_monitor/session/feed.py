"""The wiring between a source and a reading: drain, apply, forget, read.

A hello starts a new ledger: it is either another process or the same one from the beginning of
its rings again.
"""

from __future__ import annotations

from collections import Counter
from time import time
from typing import TYPE_CHECKING

from idlehands.wire import NONE

from ..analysis.assemble import read
from ..analysis.stats.cache import SECOND_NS
from ..analysis.time.job_history import JobHistory
from ..ingest import PAST_FIRST
from ..ingest.limits import FILE_TABLE_BYTES, LIVE_TABLE_BYTES
from ..ingest.sources import host
from ..ledger import Ledger
from ..model.reading import Reading
from ..model.source import SkippedReading, SourceReading

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ..ingest import CheckedFrame
    from ..ingest.sources.status import Source

HELD_NS = 60_000_000_000
OLDER = "older ones, to make room for later ones"


class Feed:
    """Keeps the ledger of one source.

    window_ns: the stretch that readings cover, None for all that is held. keep: hold everything
    (for a capture read as a whole) instead of the last `HELD_NS`.
    """

    def __init__(self, source: Source, window_ns: int | None, *, keep: bool = False) -> None:
        self.source = source
        self.window_ns = window_ns
        self.ledger = Ledger()
        self._past = JobHistory()
        self._keep = keep
        self._forgot_ns = 0
        self._began: tuple[CheckedFrame, float] | None = None
        self._held_ns = max(HELD_NS, (window_ns or 0) + SECOND_NS)

    def update(self) -> bool:
        """Take in what has arrived. Return whether anything has."""
        arrived = False
        for frames in self.source.portions():
            if frames:
                self.take(frames)
                arrived = True
        return arrived

    def take(self, frames: Sequence[CheckedFrame]) -> None:
        """Take in frames of the source, and forget what has become too old."""
        for frame in frames:
            if self.ledger.begins_anew(frame):
                self.ledger, self._past = self.ledger.successor(), JobHistory()
                self._forgot_ns = 0
            self.ledger.apply(frame)
        if not self._keep:
            self._forget()
        forgotten = self.ledger.shrink(FILE_TABLE_BYTES if self._keep else LIVE_TABLE_BYTES)
        if forgotten:
            self.ledger.skipped["rows", OLDER] += forgotten
        if self.ledger.dropped and self._keep:
            self.ledger.skipped["pools", OLDER] = self.ledger.dropped

    def extend_history(self) -> None:
        """Work out the seconds that have settled, before what they are made of is forgotten."""
        self._past.extend(self.ledger)

    def _forget(self) -> None:
        latest = self.ledger.latest_ns
        if latest - self._forgot_ns >= SECOND_NS:  # all that is held is gone through for it
            self._forgot_ns = latest
            self.ledger.forget_before(latest - self._held_ns)

    def reading(self, *, fresh: bool = True) -> Reading:
        """Return the reading of what is held now; see `read` for what is not `fresh`."""
        if not self._keep:
            self.extend_history()
        past = None if self._keep else self._past
        return read(self.ledger, self._describe(), self.window_ns, past, fresh=fresh)

    def _describe(self) -> SourceReading:
        status, hello = self.source.status, self.ledger.hello
        pid = hello.get("pid", -1)
        live = pid > 0 and status.state in ("live", "stalled")
        cores, uptime_s = self._sampled(pid)
        return SourceReading(
            target=self.source.target,
            state=status.state,
            note=status.note,
            pid=pid,
            python=hello.get("python", ""),
            program=hello.get("argv0", ""),
            cores=host.cores_by_affinity(pid) if live else cores,
            uptime_s=self._uptime_s(pid) if live else uptime_s,
            probe_cost=self._probe_cost(),
            skipped_frames=self.ledger.skipped_frames,
            skipped=self._skipped(),
            warning=status.warning,
            sampled=hello.get("sampled", False),
            processes=tuple(sorted(pid for pid in self.ledger.origins if pid >= 0)),
        )

    def _skipped(self) -> tuple[SkippedReading, ...]:
        skipped = Counter(self.ledger.skipped)
        if left_out := sum(pool.left_out for pool in self.ledger.pools.values()):
            skipped["workers", PAST_FIRST] = left_out
        return tuple(SkippedReading(*what, count) for what, count in sorted(skipped.items()))

    def _uptime_s(self, pid: int) -> float:
        """Return how long the process has run; when it began is asked once a stream."""
        hello = self.ledger.hello
        if self._began is None or self._began[0] is not hello:
            self._began = hello, host.started_at(pid)
        return max(0.0, time() - self._began[1])

    def _sampled(self, pid: int) -> tuple[int, float]:
        """Return (cores, seconds it had run by the end) as a process was sampled, 0 if unknown."""
        samples = self.ledger.processes.processes.get(pid)
        if not samples:
            return 0, 0.0
        started_ns, latest_ns = samples[-1].started_ns, self.ledger.latest_ns
        uptime_s = (latest_ns - started_ns) / 1e9 if started_ns != NONE else 0.0
        return max(0, samples[-1].affinity), max(0.0, uptime_s)

    def _probe_cost(self) -> float | None:
        """Return the probe's share of the worker time between its last reports and now."""
        workers = sum(pool.workers for pool in self.ledger.pools.values())
        spent, longest = 0, 0
        for origin in self.ledger.origins.values():
            if len(origin.costs) > 1:
                first, last = origin.costs[0], origin.costs[-1]
                spent += last.recording_ns - first.recording_ns
                spent += last.sending_ns - first.sending_ns
                longest = max(longest, last.at_ns - first.at_ns)
        return spent / (longest * workers) if longest and workers else None
