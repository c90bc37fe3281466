"""From a source to a reading: take in what has come, apply it, forget what is old, read.

A hello starts a new ledger: it comes from another process, or from the same process, which then
sends its rings from their beginning again.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..analysis.assemble import read
from ..analysis.stats.cache import FRESH, SECOND_NS, Ages
from ..analysis.time.job_history import JobHistory
from ..ingest.limits import FILE_TABLE_BYTES, LIVE_TABLE_BYTES
from ..ledger import Ledger
from .checkpoints import Packed, packed, unpacked
from .description import Description, run_clock
from .machine import MACHINE, Machine

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ..ingest import CheckedFrame
    from ..ingest.sources.status import Source
    from ..model.reading import Reading
    from ..model.run_clock import RunClock

HELD_NS = 60_000_000_000
"""How long a live feed holds what has come."""
OLDER = "older ones, to make room for later ones"


SELDOM = Ages(judged=10)
"""How old the judged parts of a reading may be while no screen shows them."""


class Feed:
    """Keeps the ledger of one source.

    window_ns: the time that readings cover, None for all that is held. keep: hold everything
    (for a capture read as a whole) instead of the last `HELD_NS`.
    """

    def __init__(
        self,
        source: Source,
        window_ns: int | None,
        *,
        keep: bool = False,
        machine: Machine = MACHINE,
    ) -> None:
        self.source = source
        self.window_ns = window_ns
        self.ledger = Ledger()
        self._history = JobHistory()
        self._description = Description(source, machine)
        self._machine = machine
        self._keep = keep
        self._forgot_ns = 0
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
                self.ledger, self._history = self.ledger.successor(), JobHistory()
                self._forgot_ns = 0
            self.ledger.apply(frame)
        if not self._keep:
            self._forget()
        forgotten = self.ledger.shrink(FILE_TABLE_BYTES if self._keep else LIVE_TABLE_BYTES)
        if forgotten:
            self.ledger.skipped["rows", OLDER] += forgotten
        if self.ledger.dropped and self._keep:
            self.ledger.skipped["pools", OLDER] = self.ledger.dropped

    @property
    def clock(self) -> RunClock | None:
        """When timestamps were, for a person; None before anything has arrived."""
        return run_clock(self.ledger, self._machine)

    def is_complete_at(self, timestamp_ns: int) -> bool:
        """Return whether everything up to a time has arrived, of every pool that is open."""
        pools = [pool for pool in self.ledger.pools.values() if pool.closed_ns < 0]
        if not pools and self.ledger.samples.dumps:
            return self.ledger.samples.latest_ns >= timestamp_ns
        return all(pool.complete_ns >= timestamp_ns for pool in pools)

    def extend_history(self) -> None:
        """Compute the seconds that have settled, before their rows are forgotten."""
        self._history.extend(self.ledger)

    def packed(self, since_ns: int) -> Packed:
        """Return what the feed knows as bytes for `unpack`, with the rows since a time."""
        return packed((self.ledger, self._history), since_ns)

    def unpack(self, state: bytes, since_ns: int) -> None:
        """Go on from what another feed of the same source knew; no window begins before
        `since_ns`."""
        self.ledger, self._history = unpacked(state)
        self.ledger.forget_before(since_ns)
        self._forgot_ns = since_ns

    def _forget(self) -> None:
        latest = self.ledger.latest_ns
        if latest - self._forgot_ns >= SECOND_NS:  # forgetting goes through all that is held
            self._forgot_ns = latest
            self.ledger.forget_before(latest - self._held_ns)

    def reading(self, *, fresh: bool = True) -> Reading:
        """Return the reading of what is held now; unless `fresh`, of the ages in `SELDOM`."""
        if not self._keep:
            self.extend_history()
        history = None if self._keep else self._history
        source = self._description.of(self.ledger)
        ages = FRESH if fresh else SELDOM
        return read(self.ledger, source, self.window_ns, history, ages)
