"""Reads a capture file, complete blocks only. Touches the file system only."""

from __future__ import annotations

import os
import stat
from typing import TYPE_CHECKING

from .format import (
    HEADER_BYTES,
    PREFIX_BYTES,
    Block,
    CaptureError,
    NotACapture,
    check_prefix,
    decode_body,
    decode_header,
)

if TYPE_CHECKING:
    from collections.abc import Iterator
    from os import PathLike


class CaptureReader:
    """Iterates over the complete blocks of a capture.

    `warning` says in one line what was wrong with the blocks read so far, empty for nothing.
    Raises NotACapture or CaptureError from the constructor, with the path in the message.
    """

    def __init__(self, path: str | PathLike[str]) -> None:
        self.path = path
        self.warning = ""
        try:
            if not stat.S_ISREG(os.stat(path).st_mode):  # opening a pipe would wait for a writer
                kind = "a directory" if os.path.isdir(path) else "not a regular file"
                raise NotACapture(f"{kind}, not an idlehands capture")
            with open(path, "rb") as file:
                check_prefix(file.read(PREFIX_BYTES))
        except NotACapture as error:
            raise NotACapture(f"{path}: {error}") from error
        except OSError as error:
            raise CaptureError(f"{path}: {error.strerror or error}") from error

    def __iter__(self) -> Iterator[Block]:
        return self.blocks()

    def blocks(self, start: int = PREFIX_BYTES) -> Iterator[Block]:
        """Yield the complete blocks from the one on that starts at a byte of the file."""
        with open(self.path, "rb") as file:
            file.seek(start)
            while header := file.read(HEADER_BYTES):
                start = file.tell() - len(header)
                try:
                    length, checksum, at_ns = decode_header(header)
                    body = file.read(length)
                    if len(body) < length:
                        raise CaptureError("incomplete block")
                except CaptureError as error:
                    self.warning = f"read up to byte {start}; the rest cannot be read: {error}"
                    return
                try:
                    yield decode_body(body, checksum, at_ns, start)
                except CaptureError as error:
                    # The length still leads to the next block; only this one is lost.
                    self.warning = f"left out a damaged block at byte {start}: {error}"
