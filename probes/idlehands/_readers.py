"""The readers that are attached to this process, and what is built for them.

Sockets never block: what a slow reader has not taken stays in that reader's small backlog, and no
more is built for it until it has. The rings then overwrite the rows that the reader missed, and the
loss is counted. Touches: sockets, the clock, the pools.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from time import monotonic, monotonic_ns
from typing import Protocol

from . import _announced
from ._costs import Costs
from ._folder import may_talk
from ._frames import Cursor
from ._listener import Listener
from ._pool import PoolProbe
from ._reader import Reader, guarded
from ._wire import encode

SOON_SECONDS, LEAST_FLUSH_SECONDS = 0.05, 0.02
"""The next flush comes so soon where many rows wait for it, or the last one sent many."""
ROWS_PER_FLUSH = 2048
COST_EVERY_FLUSHES = 10
MOST_READERS = 8
MOST_CALLERS = 2 * MOST_READERS
"""Some callers only ask which pools there are. Each takes a descriptor of the job's."""
REST_SECONDS, RECORDER_REST_SECONDS = 1.0, 5.0
"""See `Readers.rest_seconds`; the second holds while the recorder of a job is attached."""
STUCK_SECONDS = 10.0
"""A reader that has taken nothing for so long gives way to a new one."""
WORTH_PACKING = 1000
"""A pool that has recorded so many tasks gets memory for packed rows, at most a megabyte a
worker."""
REST_PER_WORK = 5
"""A flush with less than a row a pool is followed by so many times its own length of rest: with a
thousand idle pools it would take up half of the interpreter's time otherwise."""


class Registry(Protocol):
    """The pools that a publisher serves."""

    dropped: int
    """How many pools were let go before an attached reader had read them."""

    def present_pools(self) -> list[PoolProbe]:
        """Return the pools there are, those that closed not long ago included."""

    def tidy(self, has_readers: bool, *, at_once: bool = True) -> None:
        """Keep no more of the closed pools than there is room for.

        With `at_once`, find out first which more have closed.
        """


class Readers:
    """The attached readers. Only the publisher's thread calls its methods."""

    def __init__(self, registry: Registry, costs: Costs) -> None:
        self._registry = registry
        self._pools = registry.present_pools
        self._costs = costs
        self.attached: list[Reader] = []
        self._recorder: Reader | None = None
        self._has_called = False

    @property
    def rest_seconds(self) -> float:
        """The longest that the process waits at its end for its readers to take what is left."""
        return RECORDER_REST_SECONDS if self._recorder in self.attached else REST_SECONDS

    def attach_recorder(self) -> None:
        """Call the recorder that was announced, where there is one. Does so once."""
        if self._has_called:
            return
        try:
            called = _announced.call()
        except BlockingIOError:
            return  # the next check of the pools calls again
        self._has_called = True
        if called is not None:
            self._recorder = Reader(called.socket, self._pools(), wants_rows=True)
            self.attached.append(self._recorder)

    @property
    def want_rows(self) -> bool:
        """Whether a reader wants more than the names of the pools."""
        return any(reader.wants_rows for reader in self.attached)

    @property
    def rows_sent(self) -> int:
        """How many rows all of them have been sent."""
        return sum(reader.rows_sent for reader in self.attached)

    def admit(self, listener: Listener | None) -> Reader | None:
        """Take in the next caller, None where none waits. Raises OSError without a descriptor."""
        if listener is None or not listener.is_ours:
            return None
        try:
            connection, _ = listener.socket.accept()
        except BlockingIOError:
            return None
        if not may_talk(connection):
            connection.close()
            return None
        connection.setblocking(False)
        reader = Reader(connection, self._pools())
        if len(self.attached) >= MOST_CALLERS:
            reader.refuse(f"{MOST_CALLERS} callers are connected already")
            return None
        self.attached.append(reader)
        return reader

    def drop(self, reader: Reader) -> None:
        """Close a reader's connection and forget the reader."""
        reader.close()
        if reader in self.attached:
            self.attached.remove(reader)
        if not self.want_rows:
            for pool in self._pools():
                pool.set_packed(False)

    def advance(self, reader: Reader, *, start: bool) -> None:
        """Send a reader as much as its socket takes; with `start`, begin a flush if it is idle."""
        while True:
            reader.fill(self._build, start)
            start = False
            had = len(reader.backlog)
            if not reader.send():
                self.drop(reader)
                return
            if reader.backlog or not had:
                return

    def flush(self) -> None:
        """Begin a flush for every reader that wants rows."""
        for reader in self.attached[:]:
            if reader.wants_rows is None and monotonic() >= reader.rows_from:
                reader.wants_rows = True
                if sum(bool(other.wants_rows) for other in self.attached) > MOST_READERS:
                    self._make_way(reader)
            if reader.wants_rows and reader in self.attached:
                self.advance(reader, start=True)
        self._note_what_is_read()

    def much_waits(self) -> bool:
        """Return whether a flush should not wait.

        It should not if many rows wait, or if a pool is new and nothing of it has been sent.
        """
        numbers = {pool.number for pool in self._pools()}
        now = monotonic()
        return any(
            numbers - reader.cursors.keys()
            or reader.flushes == 0
            or any(cursor.has_waiting(ROWS_PER_FLUSH // 2) for cursor in reader.cursors.values())
            for reader in self.attached
            if reader.wants_rows is not False and now >= reader.rows_from
        )

    def rest_after_flush(self, seconds: float) -> float:
        """Return the seconds until the next flush: fewer when much is recorded.

        So a flush stays small: rows are read while they are still in the processor's cache, and
        no ring goes round in between. `seconds` is how long the last flush took.
        """
        most = max((reader.rows_of_flush() for reader in self.attached), default=0)
        pools = self._pools()
        if most < len(pools) and all(pool.is_read or pool.closed_ns < 0 for pool in pools):
            return max(SOON_SECONDS, REST_PER_WORK * seconds)
        return max(LEAST_FLUSH_SECONDS, SOON_SECONDS / max(1.0, most / ROWS_PER_FLUSH))

    def send_rest(self, seconds: float) -> None:
        """Send every reader what is left and a `bye`. Bounded in time; raises nothing."""
        deadline = monotonic() + seconds
        readers = [reader for reader in self.attached if reader.wants_rows is not False]
        if readers:
            with contextlib.suppress(Exception):  # a pool that fails here is read as it is
                for pool in self._pools():  # so that workers that have just left are recorded
                    pool.refresh(at_once=True)
        bye = encode({"frame": "bye", "reason": "the process ends"})
        for position, reader in enumerate(readers):
            # Each gets an equal share of the rest: a reader that has stopped uses up only its own.
            now = monotonic()
            share = (deadline - now) / (len(readers) - position)
            reader.send_rest(_then(self._build(reader), bye), now + share)

    def _note_what_is_read(self) -> None:
        """Mark the closed pools that every reader has read to their end: they can be let go."""
        readers = [reader for reader in self.attached if reader.wants_rows]
        for pool in self._pools():
            if pool.closed_ns >= 0 and not pool.is_read:
                cursors = [reader.cursors.get(pool.number) for reader in readers]
                pool.is_read = all(cursor is not None and cursor.is_at_end for cursor in cursors)
        self._registry.tidy(bool(readers), at_once=False)

    def _make_way(self, new: Reader) -> None:
        """Drop a reader that has been stuck for long; without one, refuse the new reader."""
        stuck = min(
            (reader for reader in self.attached if reader.wants_rows and reader is not new),
            key=lambda reader: reader.stuck_since,
        )
        if monotonic() - stuck.stuck_since >= STUCK_SECONDS:
            self.drop(stuck)
        else:
            self.attached.remove(new)
            new.refuse(f"{MOST_READERS} readers are attached already")

    def _build(self, reader: Reader) -> Iterator[bytes]:
        """Yield the frames of one flush for a reader."""
        pools = self._pools()
        for pool in pools:
            if not pool.is_packed and pool.closed_ns < 0 and pool.work_recorded() >= WORTH_PACKING:
                pool.set_packed(True)
        known = reader.cursors
        reader.cursors = {
            pool.number: known.pop(pool.number) if pool.number in known else Cursor(pool)
            for pool in pools
        }
        for cursor in known.values():
            if cursor.pool.unwanted:
                yield encode({"frame": "withdrawn", "pool": cursor.pool.number})
        # A pool that the registry has dropped is read once more, to its end, and then let go.
        gone = [cursor for cursor in known.values() if not cursor.pool.unwanted]
        cursors = [*gone, *reader.cursors.values()]
        # All names before the first row: a reader that wants only the names stops here.
        for cursor in cursors:
            yield from guarded(cursor, cursor.names)
        for cursor in cursors:
            yield from guarded(cursor, cursor.frames)
        if reader.flushes % COST_EVERY_FLUSHES == 0:
            yield self._cost_frame()
        reader.flushes += 1

    def _cost_frame(self) -> bytes:
        return encode(
            {
                "frame": "cost",
                "at_ns": monotonic_ns(),
                "recording_ns": int(self._costs.recording_ns()),
                "sending_ns": self._costs.sending_ns(),
                "pools_dropped": self._registry.dropped,
            }
        )


def _then(frames: Iterator[bytes], last: bytes) -> Iterator[bytes]:
    yield from frames
    yield last
