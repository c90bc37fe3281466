"""A recording as columns in memory, ready for other libraries. Pure: frames in, arrays out."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from .declaring import INTEGER, REAL, TEXT
from .flattening import Batch, Flattener
from .writing import ALL_TABLES, facts_batches

if TYPE_CHECKING:
    from ..capture import Block
    from ..schema import CheckedFrame

Columns = dict[str, npt.NDArray[Any]]
"""The columns of a table by name, all of shape (rows,)."""
DTYPES: Mapping[str, npt.DTypeLike] = {INTEGER: np.int64, REAL: np.float64, TEXT: np.object_}


class Tables(Mapping[str, Columns]):
    """The tables of a recording: ``tables["tasks"]["ended_ns"]`` is a column, shape (rows,).

    Columns of integers are int64, of real numbers float64, of text arrays of `str` objects; the
    table ``dictionary`` says the unit and the meaning of each. A table without rows has columns of
    length 0. `warning` says in one line what could not be read of the file, "" for nothing.
    """

    def __init__(self, tables: dict[str, Columns], warning: str = "") -> None:
        self._tables = tables
        self.warning = warning

    def __getitem__(self, name: str) -> Columns:
        return self._tables[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._tables)

    def __len__(self) -> int:
        return len(self._tables)

    def __repr__(self) -> str:
        rows = ", ".join(
            f"{name}: {len(next(iter(columns.values())))}" for name, columns in self.items()
        )
        return f"<Tables, rows {rows}>"


def load_tables(
    portions: Iterable[tuple[Block, list[CheckedFrame]]], facts: Mapping[str, Any]
) -> dict[str, Columns]:
    """Return every table of a recording.

    portions: its frames, block by block. facts: those of its header.
    """
    flattener = Flattener()
    pieces: dict[str, list[list[npt.NDArray[Any]]]] = {name: [] for name in ALL_TABLES}

    def hold(batches: list[Batch]) -> None:
        for batch in batches:
            types = (DTYPES[column.type] for column in ALL_TABLES[batch.table].columns)
            pieces[batch.table].append(
                [_array(one, dtype) for one, dtype in zip(batch.columns, types, strict=True)]
            )

    hold(facts_batches(facts))
    for _, frames in portions:
        for frame in frames:
            hold(flattener.take(frame))
    hold(flattener.finish())
    return {name: _joined(name, pieces.pop(name)) for name in ALL_TABLES}


def _array(values: Any, dtype: npt.DTypeLike) -> npt.NDArray[Any]:
    """Return a copy, so that a few rows do not keep the whole block that they came in."""
    return np.array(values, dtype=dtype)


def _joined(name: str, pieces: list[list[npt.NDArray[Any]]]) -> Columns:
    columns = ALL_TABLES[name].columns
    if not pieces:
        return {column.name: np.zeros(0, DTYPES[column.type]) for column in columns}
    return {
        column.name: np.concatenate([piece[place] for piece in pieces])
        for place, column in enumerate(columns)
    }
