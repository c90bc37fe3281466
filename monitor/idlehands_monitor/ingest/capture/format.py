"""The layout of a capture file: bytes in, bytes out, no I/O. docs/capture-format.md describes it.

A capture starts with `MAGIC`, its major and its minor version. Blocks follow, each a header

    4 bytes  the tag: which kind of block it is
    4 bytes  length of the body
    4 bytes  CRC-32 (ISO 3309, as in zlib) of the tag, the number and the body; in blocks of
             version 1 only of the number and the body
    8 bytes  a number: for most kinds the CLOCK_MONOTONIC of the watched host at its end

and a body. A reader skips blocks whose tag it does not know. A writer that is killed leaves at most
a torn last block, which its length and checksum show.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from ..limits import BLOCK_BYTES
from .packing import PackingError, pack_frames, unpack_frames, unzip

if TYPE_CHECKING:
    from ..schema import CheckedFrame

MAGIC = b"idlehands capture\n"
VERSION, MINOR = 2, 0
"""A reader of the same major version reads a file of any minor version."""
FRAMES_1 = b"ihB1"
"""Frames as on the wire, in one zlib stream (RFC 1950): the blocks of version 1."""
FRAMES = b"ihB2"
"""Frames whose rows are packed, see `packing`."""
OPENINGS = b"ihK2"
"""The frames that are needed to understand those of the next block, packed. Who reads the file from
its beginning has had them all and skips the block."""
TOTALS = b"ihT2"
"""What is left of blocks for which there was no room: frames of totals, packed as in version 1."""
FACTS = b"ihH2"
"""The first block: what the capture was written with, JSON in UTF-8."""
INDEX = b"ihI2"
"""The places of the blocks, see `index`."""
END = b"ihE2"
"""The last block, with no body: its number is the place of the index block in the file."""
MOST_BODY_BYTES = BLOCK_BYTES
"""A longer body, before or after decompression, is damaged."""

_VERSION = struct.Struct("<HH")
_HEADER = struct.Struct("<4sIIq")
_NUMBER = struct.Struct("<q")

PREFIX_BYTES = len(MAGIC) + _VERSION.size
HEADER_BYTES = _HEADER.size


class CaptureError(ValueError):
    """A capture cannot be read or written; the message is one line for a person."""


class NotACapture(CaptureError):
    """The file is no capture, or of a later version."""


@dataclass(frozen=True, slots=True)
class Block:
    """Frames as wire bytes, the time when the block was closed, the bytes of its body, and where it
    starts in its file.

    left_out: the monitor's own frames about what is not in it, where it comes from an export.
    """

    at_ns: int
    frames: bytes
    packed_bytes: int = field(default=0, compare=False)
    start: int = field(default=0, compare=False)
    left_out: tuple[CheckedFrame, ...] = field(default=(), compare=False)


@dataclass(frozen=True, slots=True)
class Header:
    """The header of a block, and whether its body is the one that was written."""

    tag: bytes
    length: int
    checksum: int
    number: int

    def is_of(self, body: bytes) -> bool:
        """Return whether a body is whole: its length and checksum are those in the header."""
        return len(body) == self.length and _checksum(self.tag, self.number, body) == self.checksum


def prefix() -> bytes:
    """Return the bytes that every capture starts with."""
    return MAGIC + _VERSION.pack(VERSION, MINOR)


def check_prefix(data: bytes) -> None:
    """Raise NotACapture unless `data` starts a capture that this version can read."""
    if len(data) < PREFIX_BYTES or not data.startswith(MAGIC):
        raise NotACapture("not an idlehands capture")
    major, minor = _VERSION.unpack_from(data, len(MAGIC))
    if major > VERSION:
        raise NotACapture(
            f"written in version {major}.{minor} of the capture format; "
            f"this idlehands reads versions up to {VERSION}"
        )


def version_of(data: bytes) -> tuple[int, int]:
    """Return the major and the minor version in the first bytes of a capture."""
    major, minor = _VERSION.unpack_from(data, len(MAGIC))
    return major, minor


def encode(tag: bytes, number: int, body: bytes) -> bytes:
    """Return a block as bytes."""
    return _HEADER.pack(tag, len(body), _checksum(tag, number, body), number) + body


def encode_block(block: Block) -> bytes:
    """Return a block of frames as bytes."""
    return encode(FRAMES, block.at_ns, pack_frames(block.frames).body)


def decode_header(data: bytes) -> Header:
    """Return a block's header. Raises CaptureError for a damaged one."""
    if len(data) < HEADER_BYTES:
        raise CaptureError("incomplete header")
    header = Header(*_HEADER.unpack_from(data))
    if header.tag[:2] != FRAMES[:2] or header.length > MOST_BODY_BYTES:
        raise CaptureError("not a block")
    return header


def decode_frames(
    header: Header, body: bytes, most: int = MOST_BODY_BYTES, start: int = 0
) -> Block:
    """Return the frames of a whole block of frames, openings or totals, at a byte of its file.

    Raises CaptureError, also where they take more than `most` bytes.
    """
    try:
        if header.tag in (FRAMES_1, TOTALS):
            frames = unzip(body, most)[0]
        else:
            frames = unpack_frames(body, most)
    except PackingError as error:
        raise CaptureError(f"damaged block: {error}") from error
    return Block(header.number, frames, len(body), start)


def _checksum(tag: bytes, number: int, body: bytes) -> int:
    start = 0 if tag == FRAMES_1 else zlib.crc32(tag)
    return zlib.crc32(body, zlib.crc32(_NUMBER.pack(number), start))
