"""Writing a capture file: a block at least twice a second, so a killed writer loses little."""

from __future__ import annotations

import contextlib
import os
import stat
from typing import TYPE_CHECKING

from .format import MAGIC, Block, CaptureError, encode_block, prefix

if TYPE_CHECKING:
    from os import PathLike

BLOCK_NS = 500_000_000
BLOCK_BYTES = 4 << 20


class CaptureWriter:
    """Writes frames, as wire bytes, to a new capture.

    An existing capture at `path` is replaced; anything else that stands there is left alone.
    Raises CaptureError from the constructor, `add` and `close` when the file cannot be written.
    """

    def __init__(self, path: str | PathLike[str]) -> None:
        self.path = os.fspath(path)
        self.bytes_written = 0
        self._pending = bytearray()
        self._began_ns: int | None = None
        self._last_ns = 0
        _refuse_other_files(self.path)
        try:
            # Names and paths of somebody's program are inside: readable by its owner alone.
            flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC
            self._file = os.open(self.path, flags, 0o600)
        except OSError as error:
            raise CaptureError(f"{self.path}: {error.strerror}") from error
        self._write(prefix())

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
        """Flush and close; a second call does nothing."""
        if self._file < 0:
            return
        try:
            self.flush()
        finally:
            file, self._file = self._file, -1
            os.close(file)

    def _write(self, data: bytes) -> None:
        try:
            while data:
                written = os.write(self._file, data)
                self.bytes_written += written
                data = data[written:]
        except OSError as error:
            raise CaptureError(f"{self.path}: {error.strerror}") from error


def _refuse_other_files(path: str) -> None:
    with contextlib.suppress(FileNotFoundError):
        try:
            if not stat.S_ISREG(os.stat(path).st_mode):
                raise CaptureError(f"{path}: is not a regular file; it is left as it is")
            with open(path, "rb") as file:
                start = file.read(len(MAGIC))
        except FileNotFoundError:
            raise
        except OSError as error:
            raise CaptureError(f"{path}: {error.strerror}") from error
        if start and start != MAGIC:
            raise CaptureError(f"{path}: exists and is not a capture; it is left as it is")
