"""What every export of tables has in common: a recording in, rows to a writer."""

from __future__ import annotations

import contextlib
import json
from abc import ABC, abstractmethod
from typing import TYPE_CHECKING, Any

from ..files import FileError
from .columns import DICTIONARY, TABLES_EXPORTED
from .flattening import Flattener, batch_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from ..capture import Block
    from ..schema import CheckedFrame
    from .flattening import Batch

ALL_TABLES = {**TABLES_EXPORTED, DICTIONARY.name: DICTIONARY}
"""Every table that is written, the data dictionary included."""


class TableWriter(ABC):
    """Takes the rows of an export. Every call raises FileError where they cannot be written."""

    def begin(self, block: Block) -> None:  # noqa: B027  only a copy of the frames needs it
        """Begin the next block of the recording."""

    def add_frame(self, frame: CheckedFrame) -> None:  # noqa: B027  only a copy needs it
        """Take a frame before its rows come."""

    @abstractmethod
    def add(self, batches: list[Batch]) -> None:
        """Take rows."""

    @abstractmethod
    def finish(self) -> None:
        """Write what is left."""

    @abstractmethod
    def close(self) -> None:
        """Close what is open; without `finish` it is not whole. A second call does nothing."""


def facts_batches(facts: Mapping[str, Any]) -> list[Batch]:
    """Return the rows of the facts in the header of a recording."""
    return batch_of("facts", ((name, json.dumps(value)) for name, value in facts.items()))


def export_tables(
    portions: Iterable[tuple[Block, list[CheckedFrame]]],
    facts: Mapping[str, Any],
    writer: TableWriter,
) -> None:
    """Write the tables of a recording.

    portions: its frames, block by block. facts: those of its header. Raises FileError, and what
    reading the recording raises.
    """
    flattener = Flattener()
    last: Block | None = None
    with contextlib.closing(writer):
        writer.add(facts_batches(facts))
        for block, frames in portions:
            if block is not last:
                writer.begin(block)
                last = block
            for frame in frames:
                writer.add_frame(frame)
                writer.add(flattener.take(frame))
        writer.add(flattener.finish())
        writer.finish()


@contextlib.contextmanager
def file_errors(path: str) -> Iterator[None]:
    """Turn errors of the system into errors of the file."""
    try:
        yield
    except OSError as error:
        raise FileError(f"{path}: {error.strerror or error}") from error
