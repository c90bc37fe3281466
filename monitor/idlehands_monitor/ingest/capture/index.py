"""The index at the end of a capture: where its blocks are, so that a reader can go to a timestamp.

A reader may do without it. Its body is one zlib stream (RFC 1950) of: a 32-bit little-endian number
of blocks, then these columns with one row a block, stored as `columns` says: the place of the block
in the file, its tag as a little-endian number, the number in its header, and whether it holds
rare frames (1) or not (0): all but those of rows, steal attempts, levels, samples and costs.
"""

from __future__ import annotations

import struct
import zlib
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from .columns import Damaged, pack_columns, unpack_columns
from .format import MOST_BODY_BYTES, OPENINGS, CaptureError
from .packing import PackingError, unzip

if TYPE_CHECKING:
    from collections.abc import Sequence

_COUNT = struct.Struct("<I")
LEVEL = 6
COLUMNS = 4


class Place(NamedTuple):
    """A block: where it is in the file, its tag, the number in its header."""

    place: int
    tag: bytes
    number: int
    has_rare: bool


class Index:
    """The places of a capture's blocks, in the order of the file."""

    def __init__(self, places: Sequence[Place]) -> None:
        self.places = places

    def place_before(self, timestamp_ns: int) -> int:
        """Return where the last block of openings is that is not behind a timestamp, else where the
        first block is."""
        found = self.places[0].place
        for one in self.places:
            if one.tag == OPENINGS and one.number <= timestamp_ns:
                found = one.place
        return found


def encode_index(places: Sequence[Place]) -> bytes:
    """Return the body of the index block."""
    rows = [(p.place, int.from_bytes(p.tag, "little"), p.number, int(p.has_rare)) for p in places]
    values = np.array(rows, dtype=np.int64).reshape(-1, COLUMNS).T
    return zlib.compress(_COUNT.pack(len(rows)) + pack_columns(values), LEVEL)


def decode_index(body: bytes) -> Index:
    """Return the index in a block's body. Raises CaptureError."""
    try:
        data, _ = unzip(body, MOST_BODY_BYTES)
        (count,) = _COUNT.unpack_from(data)
        if not 0 < count * COLUMNS * 8 <= MOST_BODY_BYTES:
            raise CaptureError("an index of no block, or of too many")
        nothing = np.zeros((0, count), dtype=np.int64)
        values, _ = unpack_columns(memoryview(data)[_COUNT.size :], nothing, COLUMNS)
    except (PackingError, Damaged, struct.error) as error:
        raise CaptureError(f"damaged index: {error}") from error
    return Index(
        [
            Place(place, (tag & 0xFFFFFFFF).to_bytes(4, "little"), number, bool(rare))
            for place, tag, number, rare in values.T.tolist()
        ]
    )
