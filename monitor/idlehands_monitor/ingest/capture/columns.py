"""Columns of 64-bit integers as few bytes. Pure: arrays in, bytes out, and back.

Each column is predicted from what a reader has by then, the columns before it and its own earlier
rows. What is stored is how far off the prediction is, the bytes of equal weight together: nearly
all bytes of greater weight are zero then, and zlib leaves hardly anything of them.

A column is stored as

    1 byte   how it is predicted, see `Prediction`
    1 byte   the column that it is predicted from, by its place in the order of storing
    1 byte   the number of planes, 0 to 8
    planes   each one byte a row: the bytes of weight 1, then those of weight 256, and so on

The bytes are of the zigzag number of (value - prediction) modulo 2**64: 0, -1, 1, -2, 2, … are
stored as 0, 1, 2, 3, 4, …
"""

from __future__ import annotations

from enum import IntEnum
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ...model.arrays import Int64

if TYPE_CHECKING:
    from collections.abc import Iterator

SAMPLE_ROWS = 256
"""Predictions are compared on so many rows from the middle."""
HEAD_BYTES, INTEGER_BYTES = 3, 8


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


def pack_columns(values: Int64) -> bytes:
    """Return columns, shape (columns, rows), in the order in which they are stored."""
    rows = values.shape[1]
    middle = max(0, (rows - SAMPLE_ROWS) // 2)
    sample = values[:, middle : middle + SAMPLE_ROWS]
    parts: list[bytes] = []
    for place in range(len(values)):
        choice = min(_choices(place), key=lambda choice: _cost(_off(sample, place, choice)))
        off = _off(values, place, choice)
        zigzag = (off << 1) ^ (off >> 63)
        planes = zigzag.astype("<i8", copy=False).view(np.uint8).reshape(rows, INTEGER_BYTES).T
        used = np.flatnonzero(planes.any(axis=1))
        count = int(used[-1]) + 1 if len(used) else 0
        parts += [bytes((*choice, count)), planes[:count].tobytes()]
    return b"".join(parts)


def unpack_columns(data: memoryview, columns: int, rows: int) -> tuple[Int64, int]:
    """Return columns, shape (columns, rows), and how many bytes they took. Raises Damaged."""
    values = np.zeros((columns, rows), dtype=np.int64)
    position = 0
    for place in range(columns):
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
        zigzag = planes.reshape(-1).view("<u8")
        off = (zigzag >> np.uint64(1)).view(np.int64) ^ -((zigzag & np.uint64(1)).view(np.int64))
        values[place] = _restored(values, place, code, other, off)
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
    column = values[place]
    if choice.prediction is Prediction.ZERO:
        return column.copy()
    if choice.prediction is Prediction.BEFORE:
        return np.diff(column, prepend=np.int64(0))
    return column - _from_others(values, choice.prediction, choice.other)


def _restored(values: Int64, place: int, code: int, other: int, off: Int64) -> Int64:
    if code == Prediction.ZERO:
        return off
    if code == Prediction.BEFORE:
        return np.cumsum(off)
    if code > max(Prediction) or not (code == Prediction.LASTING) <= other < place:
        raise Damaged("a column predicted in an unknown way")
    return off + _from_others(values, Prediction(code), other)


def _from_others(values: Int64, prediction: Prediction, other: int) -> Int64:
    if prediction is Prediction.BESIDE:
        return values[other]
    if prediction is Prediction.LASTING:
        return values[other - 1] - values[other]
    before = np.zeros_like(values[other])
    before[1:] = values[other][:-1]
    return before
