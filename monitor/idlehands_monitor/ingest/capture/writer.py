"""Writes a capture file: a block at least twice a second, so that a killed writer loses little."""

from __future__ import annotations

import contextlib
import zlib
from time import monotonic_ns
from typing import TYPE_CHECKING, Any

from ..files import FileError, NewFile
from .facts import encode_facts, facts_here
from .format import END, FACTS, FRAMES, INDEX, OPENINGS, TOTALS, CaptureError, encode, prefix
from .index import Place, encode_index
from .openings import Openings
from .packing import pack_frames
from .totals import Totals

if TYPE_CHECKING:
    from collections.abc import Iterator
    from os import PathLike

    from .packing import Packed

BLOCK_NS = 500_000_000
BLOCK_BYTES = 4 << 20
OPENINGS_NS = 30_000_000_000
"""A reader that goes to a timestamp reads at most about so much before it."""
OPENINGS_SHARE = 16
"""Of a capture with a limit, openings come at least after each so many-th part of it."""
FREED_SHARE = 4
"""Where a capture has reached its limit, room is made for this part of it at a time."""
LEAST_LIMIT_BYTES = 1 << 20


class CaptureWriter:
    """Writes frames, as wire bytes, to a new capture.

    The file is named NAME.part until it is complete; a writer that is killed leaves it, and it can
    be read up to its last block.

    replace: the capture may take the place of a regular file of this user; otherwise no file may
    have its name. most_bytes: how long the file may be, None for any length; past it the oldest
    blocks go, and totals a second stay of them. facts: those of the header, of this host and time
    where they are not given.

    Raises CaptureError from the constructor, `add`, `flush` and `close` when the file cannot be
    written. What was written before then stays, and `close` gives the file its name.
    """

    def __init__(
        self,
        path: str | PathLike[str],
        *,
        replace: bool = False,
        most_bytes: int | None = None,
        facts: dict[str, Any] | None = None,
    ) -> None:
        self._pending = bytearray()
        self._began_ns: int | None = None
        self._last_ns = 0
        self._places: list[Place] = []
        self._openings = Openings()
        self._openings_at = (0, 0)  # bytes and ns
        self._most_bytes = most_bytes and max(most_bytes, LEAST_LIMIT_BYTES)
        self._totals = Totals()
        self._has_failed = False
        with as_capture_errors():
            self._file = NewFile(path, replace=replace, is_of_use=True)
        self.path = self._file.path
        header = encode(FACTS, monotonic_ns(), encode_facts(facts or facts_here()))
        self._start = prefix() + header
        try:
            self._write(self._start)
        except CaptureError:
            self._file.discard()
            raise

    @property
    def draft_path(self) -> str:
        """The path of the file until it is complete."""
        return self._file.draft_path

    def add(self, at_ns: int, frames: bytes) -> None:
        """Add whole frames that had arrived by `at_ns`."""
        if self._began_ns is None:
            self._began_ns = at_ns
        self._pending += frames
        self._last_ns = at_ns
        if at_ns - self._began_ns >= BLOCK_NS or len(self._pending) >= BLOCK_BYTES:
            self.flush()

    def flush(self) -> None:
        """Write what is pending as one block."""
        if self._pending:
            packed = pack_frames(bytes(self._pending))
            self._pending.clear()
            self._add_openings()
            self._block(FRAMES, self._last_ns, packed)
            self._openings.note(packed.rare)
            self._make_room()
        self._began_ns = None

    def _add_openings(self) -> None:
        """Write the frames that the following blocks need to be understood, now and then."""
        at_bytes, at_ns = self._openings_at
        is_due = self._last_ns - at_ns >= OPENINGS_NS
        if self._most_bytes is not None:
            is_due |= self._file.size - at_bytes >= self._most_bytes // OPENINGS_SHARE
        if is_due:
            if self._places and (frames := self._openings.frames()):
                self._block(OPENINGS, self._places[-1].number, pack_frames(frames))
            self._openings_at = self._file.size, self._last_ns

    def _block(self, tag: bytes, number: int, packed: Packed) -> None:
        place = Place(self._file.size, tag, number, bool(packed.rare))
        self._write(encode(tag, number, packed.body))
        self._places.append(place)
        if self._most_bytes is not None:
            self._totals.note(packed.rows if tag == FRAMES else {})

    def _make_room(self) -> None:
        """Have totals in the place of the oldest blocks where the file has reached its limit."""
        most = self._most_bytes
        if most is None or self._file.size <= most - min(BLOCK_BYTES, most // 8):
            return
        kept_from = self._file.size - (most - most // FREED_SHARE)
        cut = next(
            (n for n, p in enumerate(self._places) if p.tag == OPENINGS and p.place >= kept_from), 0
        )
        if not cut:
            return
        self._totals.drop(cut)
        totals = encode(TOTALS, self._places[cut].number, zlib.compress(self._totals.frames()))
        before, start = self._places[cut].place, self._start + totals
        with as_capture_errors():
            self._file.replace_start(before, start)
        shift = len(start) - before
        moved = [place._replace(place=place.place + shift) for place in self._places[cut:]]
        self._places = [Place(len(self._start), TOTALS, moved[0].number, has_rare=False), *moved]
        self._totals.keep_first()
        self._openings_at = self._openings_at[0] + shift, self._openings_at[1]

    def close(self) -> None:
        """Flush, give the file its name, and close it; a second call does nothing."""
        if self._file.is_closed:
            return
        try:
            if not self._has_failed:
                self.flush()
                self._finish()
        finally:
            try:
                with as_capture_errors(self._file):
                    self._file.publish()
            finally:
                self._file.close()

    def _finish(self) -> None:
        """Write the index, where there is room for it: a reader may do without."""
        place = self._file.size
        with contextlib.suppress(CaptureError):
            index = encode(INDEX, self._last_ns, encode_index(self._places))
            self._write(index + encode(END, place, b""))

    def abandon(self) -> None:
        """Close the file; without a name yet it is deleted. After `close` it does nothing."""
        self._file.discard()

    def _write(self, data: bytes) -> None:
        try:
            with as_capture_errors():
                self._file.write(data)
        except CaptureError:
            self._has_failed = True
            raise


@contextlib.contextmanager
def as_capture_errors(file: NewFile | None = None) -> Iterator[None]:
    """Turn errors of the file into errors of the capture; say where a file without a name is."""
    try:
        yield
    except FileError as error:
        where = f"; the capture is in {file.draft_path}" if file is not None else ""
        raise CaptureError(f"{error}{where}") from error
