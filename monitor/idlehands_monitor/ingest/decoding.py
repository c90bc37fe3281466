"""Bytes in, checked frames out: of a socket as they come, of a capture block by block.

A frame that is not MessagePack, or not within the limits, is skipped and said: its length still
leads to the next one. Only a length that no frame has ends a stream, and the reading of a block.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import msgpack

from idlehands.wire import Decoder, Frame, NewerVersion, WireError, check_version

from . import limits
from .checker import checked_frames, skipped
from .schema import CheckedFrame

if TYPE_CHECKING:
    from collections.abc import Iterator

LENGTH_BYTES = 4
PORTION_FRAMES = 256
PORTION_BYTES = 1 << 20
"""So much of a block is in memory as frames at a time."""
TOO_MUCH = "more than a capture of this size may hold"
NO_FRAME = "not a MessagePack map that names its kind"

Piece = tuple[CheckedFrame, bytes]
"""A checked frame and its own bytes, length included; none for one that the monitor made."""


class _TooMany(ValueError):
    pass


def parsed(body: bytes | memoryview) -> Frame | None:
    """Return the map in a frame's bytes, None where there is none or it is of too many parts.

    Raises NewerVersion for the hello of one.
    """
    left = limits.FRAME_LISTS

    def count(part: Any) -> Any:  # a list of empty lists takes sixty times its bytes
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


def pieces(whole: bytes) -> list[Piece]:
    """Return what the bytes of one frame, length included, come to. Raises NewerVersion."""
    frame = parsed(memoryview(whole)[LENGTH_BYTES:])
    if frame is None:
        return [(skipped("frames", NO_FRAME), whole)]
    return [(one, whole if not place else b"") for place, one in enumerate(checked_frames(frame))]


class StreamFrames:
    """The frames of one socket."""

    def __init__(self) -> None:
        self._decoder = Decoder()

    def feed(self, data: bytes) -> list[Piece]:
        """Return the frames that `data` completes. Raises WireError where it is no such stream."""
        return [piece for whole in self._decoder.split(data) for piece in pieces(whole)]


class CaptureFrames:
    """The frames of one capture, within what its own bytes allow.

    Equal bytes pack a thousandfold; what a pool records does not. So a capture is held to what its
    size lets it hold, and a small one cannot take memory or time without end.
    """

    def __init__(self) -> None:
        self._bytes = limits.FREE_BYTES
        self._frames = limits.FREE_FRAMES * limits.BYTES_A_FRAME

    def feed(self, block: bytes, packed_bytes: int) -> Iterator[list[CheckedFrame]]:
        """Yield the frames of a block, of so many bytes in the file, in portions.

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

    def _pieces(self, block: bytes) -> Iterator[Piece]:
        decoder = Decoder()
        try:
            for start in range(0, len(block), PORTION_BYTES):
                for whole in decoder.split(block[start : start + PORTION_BYTES]):
                    self._frames -= limits.BYTES_A_FRAME
                    if self._frames < 0:
                        yield skipped("blocks", TOO_MUCH), b""
                        return
                    yield from pieces(whole)
        except NewerVersion:
            raise
        except WireError:
            yield skipped("blocks", "read up to a length that no frame has"), b""
            return
        if decoder.held_bytes:
            yield skipped("frames", "cut off at the end of a block"), b""
