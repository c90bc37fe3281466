"""Columns of 64-bit integers as few bytes. Pure: arrays in, bytes out, and back.

Each column is predicted from what a reader has by then: the columns before it and its own earlier
rows. What is stored is how far off the prediction is, the bytes of equal weight together. Nearly
all bytes of greater weight are zero then, and zlib leaves hardly anything of them.

A column is stored as

    1 byte   how it is predicted, see `Prediction`; 8 more where some of its values are -1; 16 more
             where no value is less than predicted
    1 byte   the column that it is predicted from, by its place
    1 byte   the number of planes, 0 to 8
    planes   each one byte a row: the bytes of weight 1, then those of weight 256, and so on

The bytes are of (value - prediction) modulo 2**64 where that is never less than 0, else of its
zigzag number: 0, -1, 1, -2, 2, … are stored as 0, 1, 2, 3, 4, … Where some values are -1, 0 stands
for -1, and all others are one more.
"""

from __future__ import annotations

from enum import IntEnum
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

from ...model.arrays import Int64

if TYPE_CHECKING:
    from collections.abc import Iterator

SAMPLE_ROWS = 256
"""Predictions are compared on so many rows from the middle."""
HEAD_BYTES, INTEGER_BYTES = 3, 8
HOLES, RISING = 8, 16
NONE = -1
ONE, LARGEST = np.uint64(1), np.uint64(2**64 - 1)

UInt64 = npt.NDArray[np.uint64]


class Prediction(IntEnum):
    """What a value is predicted to be."""

    ZERO = 0
    BEFORE = 1
    """The value of the row before; 0 in the first row."""
    BESIDE = 2
    """The value of another column in the same row."""
    BESIDE_BEFORE = 3
    """The value of another column in the row before; 0 in the first row."""
    LASTING = 4
    """What the column stored before another column is more than that one, in the same row."""


class Damaged(ValueError):
    """Bytes that are no columns of the number that was asked for."""


class _Choice(NamedTuple):
    prediction: Prediction
    other: int


def pack_columns(values: Int64, known: int = 0) -> bytes:
    """Return columns, shape (columns, rows), without the first `known`, which the reader has."""
    rows = values.shape[1]
    middle = max(0, (rows - SAMPLE_ROWS) // 2)
    sample = values[:, middle : middle + SAMPLE_ROWS]
    parts: list[bytes] = []
    for place in range(known, len(values)):
        code, other, stored = _stored(values, sample, place)
        count = (int(stored.max(initial=0)).bit_length() + 7) // 8
        planes = np.ascontiguousarray(stored, dtype="<u8").view(np.uint8)
        by_weight = planes.reshape(rows, INTEGER_BYTES)[:, :count].T
        parts += [bytes((code, other, count)), by_weight.tobytes()]
    return b"".join(parts)


def _stored(values: Int64, sample: Int64, place: int) -> tuple[int, int, UInt64]:
    """Return how the column at `place` is stored: its first two bytes, and its numbers."""
    holes = values[place] == NONE
    has_holes = bool(holes.any())
    shown = sample[place] != NONE if has_holes else slice(None)
    # With holes a value cannot be predicted from the row before, which may be one.
    choices = [c for c in _choices(place) if not (has_holes and c.prediction == Prediction.BEFORE)]
    choice = min(choices, key=lambda choice: _cost(_off(sample, place, choice)[shown]))
    off, code = _off(values, place, choice), int(choice.prediction)
    if (off[~holes] >= 0).all():
        stored, code = off.view(np.uint64), code + RISING
    else:
        stored = ((off << 1) ^ (off >> 63)).view(np.uint64)
    if has_holes and not (stored[~holes] == LARGEST).any():
        stored, code = np.where(holes, np.uint64(0), stored + ONE), code + HOLES
    elif has_holes and code & RISING and (off < 0).any():
        stored, code = ((off << 1) ^ (off >> 63)).view(np.uint64), code - RISING
    return code, choice.other, stored


def unpack_columns(data: memoryview, known: Int64, columns: int) -> tuple[Int64, int]:
    """Return the columns, shape (known + columns, rows), and how many bytes they took.

    known: the columns that are known beforehand, shape (known, rows). Raises Damaged.
    """
    before, rows = known.shape
    values = np.zeros((before + columns, rows), dtype=np.int64)
    values[:before] = known
    position = 0
    for place in range(before, before + columns):
        if len(data) - position < HEAD_BYTES:
            raise Damaged("too few columns")
        code, other, count = data[position : position + HEAD_BYTES]
        position += HEAD_BYTES
        end = position + count * rows
        if count > INTEGER_BYTES or end > len(data):
            raise Damaged("too few rows")
        planes = np.zeros((rows, INTEGER_BYTES), dtype=np.uint8)
        found = np.frombuffer(data[position:end], dtype=np.uint8).reshape(count, rows)
        planes[:, :count] = found.T
        position = end
        _restore(values, place, (code, other), planes.reshape(-1).view("<u8").astype(np.uint64))
    return values, position


def _choices(place: int) -> Iterator[_Choice]:
    yield _Choice(Prediction.ZERO, 0)
    yield _Choice(Prediction.BEFORE, 0)
    for other in range(place):
        yield _Choice(Prediction.BESIDE, other)
        yield _Choice(Prediction.BESIDE_BEFORE, other)
        if other:
            yield _Choice(Prediction.LASTING, other)


def _cost(off: Int64) -> float:
    """Return about how many bits the differences take."""
    return float(np.log2(np.abs(off.astype(np.float64)) + 1.0).sum())


def _off(values: Int64, place: int, choice: _Choice) -> Int64:
    """Return how far off a prediction of the column at `place` is, shape (rows,), modulo 2**64."""
    column: Int64 = values[place]
    if choice.prediction is Prediction.ZERO:
        return column
    if choice.prediction is Prediction.BEFORE:
        return np.diff(column, prepend=np.int64(0))
    off: Int64 = column - _from_others(values, choice.prediction, choice.other)
    return off


def _restore(
    values: Int64,
    place: int,
    how: tuple[int, int],
    stored: UInt64,
) -> None:
    """Put the values of the column at `place` in. Raises Damaged."""
    code, other = how[0] & ~(HOLES | RISING), how[1]
    number = stored - ONE if how[0] & HOLES else stored
    off = number.view(np.int64)
    if not how[0] & RISING:
        off = (number >> ONE).view(np.int64) ^ -((number & ONE).view(np.int64))
    if code == Prediction.ZERO:
        values[place] = off
    elif code == Prediction.BEFORE:
        if how[0] & HOLES:
            raise Damaged("a column with holes predicted from itself")
        values[place] = np.cumsum(off)
    elif code > max(Prediction) or not (code == Prediction.LASTING) <= other < place:
        raise Damaged("a column predicted in an unknown way")
    else:
        values[place] = off + _from_others(values, Prediction(code), other)
    if how[0] & HOLES:
        values[place][stored == 0] = NONE


def _from_others(values: Int64, prediction: Prediction, other: int) -> Int64:
    found: Int64 = values[other]
    if prediction is Prediction.LASTING:
        found = values[other - 1] - values[other]
    elif prediction is Prediction.BESIDE_BEFORE:
        found = np.concatenate([np.zeros(1, dtype=np.int64), found[:-1]])[: len(found)]
    return found
