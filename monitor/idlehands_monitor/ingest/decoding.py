"""Bytes in, checked frames out: of a socket as they arrive, of a capture block by block. No I/O.

A frame that is not MessagePack, or not within the limits, is skipped and counted: its length still
leads to the next frame. Only an impossible length ends a stream, or the reading of a block.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import msgpack

from idlehands.wire import Decoder, Frame, NewerVersion, WireError, check_version

from . import limits
from .checker import checked_frames, skipped
from .schema import CheckedFrame

if TYPE_CHECKING:
    from collections.abc import Container, Iterator

LENGTH_BYTES = 4
PORTION_FRAMES = 256
PORTION_BYTES = 1 << 20
"""At most so much of a block is in memory as frames at a time."""
TOO_MUCH = "more than a capture of this size may hold"
FIRST_KEY = b"\xa5frame"
NO_FRAME = "not a MessagePack map that names its kind"

Piece = tuple[CheckedFrame, bytes]
"""A checked frame and its bytes, length included; no bytes for a frame that the monitor made."""


class _TooMany(ValueError):
    pass


def parsed(body: bytes | memoryview) -> Frame | None:
    """Return the map in a frame's bytes, None where there is none or it has too many parts.

    Raises NewerVersion for a hello frame of a newer version.
    """
    left = limits.FRAME_LISTS

    def count(part: Any) -> Any:  # in memory a list of empty lists takes sixty times its bytes
        nonlocal left
        left -= 1
        if left < 0:
            raise _TooMany
        return part

    try:
        frame = msgpack.unpackb(
            body,
            raw=False,
            strict_map_key=False,
            list_hook=count,
            object_hook=count,
            max_ext_len=0,
        )
    except Exception:  # msgpack raises ValueError, kinds of its own, UnicodeDecodeError, TypeError
        return None
    if type(frame) is not dict or type(frame.get("frame")) is not str:
        return None
    if frame["frame"] == "hello":
        try:
            check_version(frame.get("version"))
        except NewerVersion:
            raise
        except WireError:
            return None
    found: Frame = frame
    return found


def pieces(raw: bytes) -> list[Piece]:
    """Return the checked frames in the bytes of one frame, length included. Raises NewerVersion."""
    frame = parsed(memoryview(raw)[LENGTH_BYTES:])
    if frame is None:
        return [(skipped("frames", NO_FRAME), raw)]
    return [(one, raw if not place else b"") for place, one in enumerate(checked_frames(frame))]


def kind_of(raw: bytes) -> str:
    """Return the kind of a frame without decoding it, "" where another key comes first.

    The bytes of a map of up to 15 keys, or 65,535, and of a short text are in the MessagePack
    specification.
    """
    start = LENGTH_BYTES + (3 if raw[LENGTH_BYTES : LENGTH_BYTES + 1] == b"\xde" else 1)
    place = start + len(FIRST_KEY)
    if raw[start:place] != FIRST_KEY or len(raw) <= place or not 0xA0 <= raw[place] <= 0xBF:
        return ""
    return raw[place + 1 : place + 1 + raw[place] - 0xA0].decode("utf-8", "replace")


class StreamFrames:
    """Decodes the frames of one socket."""

    def __init__(self) -> None:
        self._decoder = Decoder()

    def feed(self, data: bytes) -> list[Piece]:
        """Return the frames that `data` completes. Raises WireError where they are none."""
        return [piece for raw in self._decoder.split(data) for piece in pieces(raw)]


class CaptureFrames:
    """Decodes the frames of one capture, within a bound that grows with its size.

    Equal bytes compress a thousandfold; what a pool records does not. So a small capture that
    unpacks to more than its bound is hostile, and cannot take memory or time without end.

    wanted: the kinds of frame to decode; other frames are passed over unread.
    """

    def __init__(self, wanted: Container[str] | None = None) -> None:
        self._wanted = wanted
        self._bytes = limits.FREE_BYTES
        self._frames = limits.FREE_FRAMES * limits.BYTES_A_FRAME

    def feed(self, block: bytes, packed_bytes: int) -> Iterator[list[CheckedFrame]]:
        """Yield the frames of a block in portions; packed_bytes: its length in the file.

        Raises NewerVersion.
        """
        self._bytes += packed_bytes * limits.BYTES_A_BYTE - len(block)
        self._frames += packed_bytes
        if self._bytes < 0:
            self._bytes += len(block)
            yield [skipped("blocks", TOO_MUCH)]
            return
        portion, held = list[CheckedFrame](), 0
        for piece in self._pieces(block):
            portion.append(piece[0])
            held += len(piece[1])
            if len(portion) >= PORTION_FRAMES or held >= PORTION_BYTES:
                yield portion
                portion, held = [], 0
        yield portion

    def _wants(self, raw: bytes) -> bool:
        return self._wanted is None or not (kind := kind_of(raw)) or kind in self._wanted

    def _pieces(self, block: bytes) -> Iterator[Piece]:
        decoder = Decoder()
        try:
            for start in range(0, len(block), PORTION_BYTES):
                for raw in decoder.split(block[start : start + PORTION_BYTES]):
                    self._frames -= limits.BYTES_A_FRAME
                    if self._frames < 0:
                        yield skipped("blocks", TOO_MUCH), b""
                        return
                    if self._wants(raw):
                        yield from pieces(raw)
        except NewerVersion:
            raise
        except WireError:
            yield skipped("blocks", "read up to a frame of impossible length"), b""
            return
        if decoder.held_bytes:
            yield skipped("frames", "cut off at the end of a block"), b""
