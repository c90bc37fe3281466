"""Writes a capture file: a block at least twice a second, so that a killed writer loses little."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

from ..files import FileError, NewFile
from .format import Block, CaptureError, encode_block, prefix

if TYPE_CHECKING:
    from collections.abc import Iterator
    from os import PathLike

BLOCK_NS = 500_000_000
BLOCK_BYTES = 4 << 20


class CaptureWriter:
    """Writes frames, as wire bytes, to a new capture.

    replace: the capture may take the place of a regular file of this user; otherwise no file may
    have its name. at_once: it has its name from the beginning, so that the blocks of a killed
    writer can be read; otherwise only from `close` on.

    Raises CaptureError from the constructor, `add` and `close` when the file cannot be written.
    """

    def __init__(
        self, path: str | PathLike[str], *, replace: bool = False, at_once: bool = True
    ) -> None:
        self._pending = bytearray()
        self._began_ns: int | None = None
        self._last_ns = 0
        with as_capture_errors():
            self._file = NewFile(path, replace=replace)
        self.path = self._file.path
        try:
            self._write(prefix())
            if at_once:
                self._publish()
        except CaptureError:
            self._file.close()
            raise

    def add(self, at_ns: int, frames: bytes) -> None:
        """Add whole frames that had arrived by `at_ns`."""
        if self._began_ns is None:
            self._began_ns = at_ns
        self._pending += frames
        self._last_ns = at_ns
        if at_ns - self._began_ns >= BLOCK_NS or len(self._pending) >= BLOCK_BYTES:
            self.flush()

    def flush(self) -> None:
        """Write what is pending as one block."""
        if self._pending:
            self._write(encode_block(Block(self._last_ns, bytes(self._pending))))
            self._pending.clear()
        self._began_ns = None

    def close(self) -> None:
        """Flush, give the file its name, and close it; a second call does nothing."""
        if self._file.is_closed:
            return
        try:
            self.flush()
            self._publish()
        finally:
            self._file.close()

    def abandon(self) -> None:
        """Close the file; without a name yet it is deleted. After `close` it does nothing."""
        self._file.close()

    def _write(self, data: bytes) -> None:
        with as_capture_errors():
            self._file.write(data)

    def _publish(self) -> None:
        with as_capture_errors():
            self._file.publish()


@contextlib.contextmanager
def as_capture_errors() -> Iterator[None]:
    """Turn errors of the file into errors of the capture."""
    try:
        yield
    except FileError as error:
        raise CaptureError(str(error)) from error
