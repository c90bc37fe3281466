"""The layout of a capture file: bytes in, bytes out, no I/O.

A capture starts with `MAGIC` and a 32-bit little-endian version. Blocks follow, each a header

    4 bytes  the letters of `TAG`
    4 bytes  length of the body
    4 bytes  CRC-32 (ISO 3309, as in zlib) of the rest of the header and the body
    8 bytes  at_ns: CLOCK_MONOTONIC of the watched host when the block was closed

and a body: whole frames as on the wire, one after the other, compressed with zlib (RFC 1950).
A writer that is killed leaves at most a torn last block, which its length and checksum show.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from ..limits import BLOCK_BYTES

if TYPE_CHECKING:
    from ..schema import CheckedFrame

MAGIC = b"idlehands capture\n"
VERSION = 1
TAG = b"ihB1"
MOST_BODY_BYTES = BLOCK_BYTES
"""A longer body, before or after decompression, is damaged."""

_VERSION = struct.Struct("<I")
_HEADER = struct.Struct("<4sIIq")

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


def prefix() -> bytes:
    """Return the bytes that every capture starts with."""
    return MAGIC + _VERSION.pack(VERSION)


def check_prefix(data: bytes) -> None:
    """Raise NotACapture unless `data` starts a capture that this version can read."""
    if len(data) < PREFIX_BYTES or not data.startswith(MAGIC):
        raise NotACapture("not an idlehands capture")
    (version,) = _VERSION.unpack_from(data, len(MAGIC))
    if version > VERSION:
        raise NotACapture(
            f"written in version {version} of the capture format; "
            f"this idlehands reads versions up to {VERSION}"
        )


def encode_block(block: Block) -> bytes:
    """Return a block as bytes."""
    body = zlib.compress(block.frames, 1)
    at_ns = struct.pack("<q", block.at_ns)
    checksum = zlib.crc32(body, zlib.crc32(at_ns))
    return _HEADER.pack(TAG, len(body), checksum, block.at_ns) + body


def decode_header(data: bytes) -> tuple[int, int, int]:
    """Return (body length, checksum, at_ns). Raises CaptureError for a damaged header."""
    if len(data) < HEADER_BYTES:
        raise CaptureError("incomplete header")
    tag, length, checksum, at_ns = _HEADER.unpack(data)
    if tag != TAG or length > MOST_BODY_BYTES:
        raise CaptureError("not a block")
    return length, checksum, at_ns


def decode_body(body: bytes, checksum: int, at_ns: int, start: int = 0) -> Block:
    """Return the block that starts at a byte of its file.

    Raises CaptureError when the checksum is wrong.
    """
    if zlib.crc32(body, zlib.crc32(struct.pack("<q", at_ns))) != checksum:
        raise CaptureError("wrong checksum")
    unpacking = zlib.decompressobj()
    try:
        frames = unpacking.decompress(body, MOST_BODY_BYTES)
    except zlib.error as error:
        raise CaptureError(f"damaged block: {error}") from error
    if unpacking.unconsumed_tail:
        raise CaptureError("block unpacks to more than a block may hold")
    return Block(at_ns, frames, len(body), start)
