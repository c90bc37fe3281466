"""Reads a capture file, whole blocks only. Touches the file system only."""

from __future__ import annotations

import json
import os
import stat
from typing import TYPE_CHECKING, Any, BinaryIO

from ..limits import BYTES_A_BYTE, FREE_BYTES
from .format import (
    END,
    FACTS,
    FRAMES,
    FRAMES_1,
    HEADER_BYTES,
    INDEX,
    MOST_BODY_BYTES,
    OPENINGS,
    PREFIX_BYTES,
    TOTALS,
    Block,
    CaptureError,
    Header,
    NotACapture,
    check_prefix,
    decode_frames,
    decode_header,
    version_of,
)
from .index import Index, decode_index

if TYPE_CHECKING:
    from collections.abc import Iterator
    from os import PathLike

WITH_FRAMES = (FRAMES_1, FRAMES, TOTALS)
SEARCHED_BYTES = 1 << 16
"""Behind damage the next block is searched in pieces of so many bytes."""
CHECKED_BYTES = 4 * MOST_BODY_BYTES
"""So many bytes may be read in that search to check what looks like a block, in a whole file."""
SPARE_BYTES = 4 * FREE_BYTES
"""Beside `BYTES_A_BYTE` for each byte of the file. Less passes `ingest`; this bounds the work."""
UNFINISHED = "its writer did not finish it; it holds all that was written"


class CaptureReader:
    """Iterates over the whole blocks of a capture.

    Attributes: path; facts, what the header block says (empty for version 1); warning, in one line
    what was wrong with the blocks read so far, empty for nothing.

    Raises NotACapture or CaptureError from the constructor, with the path in the message.
    """

    def __init__(self, path: str | PathLike[str]) -> None:
        self.path = path
        self.warning = ""
        self.facts: dict[str, Any] = {}
        self._searched = CHECKED_BYTES
        try:
            if not stat.S_ISREG(os.stat(path).st_mode):  # opening a pipe would wait for a writer
                kind = "a directory" if os.path.isdir(path) else "not a regular file"
                raise NotACapture(f"{kind}, not an idlehands capture")
            with open(path, "rb") as file:
                start = file.read(PREFIX_BYTES)
                check_prefix(start)
                self.version = version_of(start)
                self.facts = _facts(file)
        except NotACapture as error:
            raise NotACapture(f"{path}: {error}") from error
        except OSError as error:
            raise CaptureError(f"{path}: {error.strerror or error}") from error

    def __iter__(self) -> Iterator[Block]:
        return self.blocks()

    def blocks(self, start: int = PREFIX_BYTES) -> Iterator[Block]:
        """Yield the complete blocks from the one on that starts at a byte of the file."""
        with open(self.path, "rb") as file:
            file.seek(start)
            has_begun = start > PREFIX_BYTES
            yield from self._blocks(file, has_begun=has_begun)

    def since(self, timestamp_ns: int) -> Iterator[Block]:
        """Yield the blocks from the last one on that begins at or before a timestamp and can be
        understood without those before it; all blocks where the file has no index.

        The first holds the frames that name the processes and pools there are by then.
        """
        with open(self.path, "rb") as file:
            index = read_index(file)
            file.seek(index.place_before(timestamp_ns) if index else PREFIX_BYTES)
            yield from self._blocks(file)

    def _blocks(self, file: BinaryIO, *, has_begun: bool = False) -> Iterator[Block]:
        is_finished = self.version[0] == 1
        spare_bytes, seen = SPARE_BYTES, set[Header]()
        for place, header, body in self._whole(file):
            is_finished = is_finished or header.tag == END
            if header.tag not in WITH_FRAMES and (header.tag != OPENINGS or has_begun):
                continue
            if header in seen:
                self.warning = f"left out a block at byte {place} that was there before"
                continue
            seen.add(header)
            spare_bytes += BYTES_A_BYTE * len(body)
            try:
                most = min(MOST_BODY_BYTES, max(1, spare_bytes))
                block = decode_frames(header, body, most, place)
            except CaptureError as error:
                self.warning = f"left out a damaged block at byte {place}: {error}"
                spare_bytes -= min(MOST_BODY_BYTES, spare_bytes)  # what it may have taken
                continue
            spare_bytes -= len(block.frames)
            has_begun = has_begun or header.tag != TOTALS
            yield block
        if not is_finished and not self.warning:
            self.warning = UNFINISHED

    def _whole(self, file: BinaryIO) -> Iterator[tuple[int, Header, bytes]]:
        """Yield the place, the header and the body of each whole block from here on."""
        while True:
            place = file.tell()
            try:
                found = _block(file)
            except CaptureError as error:
                following = self._search(file, place)
                if following is None:
                    self.warning = f"read up to byte {place}; the rest cannot be read: {error}"
                    return
                self.warning = f"left out a damaged block at byte {place}: {error}"
                file.seek(following)
                continue
            if found is None:
                return
            yield place, *found

    def _search(self, file: BinaryIO, place: int) -> int | None:
        """Return where the next whole block begins behind a damaged one, None if none is found."""
        held, start = b"", place + 1
        while True:
            file.seek(start + len(held))
            piece = file.read(SEARCHED_BYTES)
            held += piece
            at = held.find(FRAMES[:2])
            while at >= 0 and at + HEADER_BYTES <= len(held):
                if self._is_block(file, start + at, held[at : at + HEADER_BYTES]):
                    return start + at
                at = held.find(FRAMES[:2], at + 1)
            if not piece:
                return None
            kept = held[at:] if at >= 0 else held[-1:]
            start, held = start + len(held) - len(kept), kept

    def _is_block(self, file: BinaryIO, place: int, head: bytes) -> bool:
        try:
            self._searched -= decode_header(head).length
            if self._searched < 0:
                return False
            file.seek(place)
            return _block(file) is not None
        except CaptureError:
            return False


def _block(file: BinaryIO) -> tuple[Header, bytes] | None:
    """Return the next block, None at the end of the file. Raises CaptureError for a damaged one."""
    data = file.read(HEADER_BYTES)
    if not data:
        return None
    header = decode_header(data)
    body = file.read(header.length)
    if len(body) < header.length:
        raise CaptureError("incomplete block")
    if not header.is_of(body):
        raise CaptureError("wrong checksum")
    return header, body


def _facts(file: BinaryIO) -> dict[str, Any]:
    """Return what the header block says, empty where there is none that can be read."""
    try:
        found = _block(file)
        if found is None or found[0].tag != FACTS:
            return {}
        facts = json.loads(found[1])
    except (CaptureError, ValueError, RecursionError):
        return {}
    return facts if type(facts) is dict else {}


def read_index(file: BinaryIO) -> Index | None:
    """Return the index of an open capture, None where it has none that can be read."""
    try:
        file.seek(-HEADER_BYTES, os.SEEK_END)
        found = _block(file)
        if found is None or found[0].tag != END:
            return None
        file.seek(found[0].number)
        found = _block(file)
        if found is None or found[0].tag != INDEX:
            return None
        return decode_index(found[1])
    except (CaptureError, OSError, ValueError):
        return None
