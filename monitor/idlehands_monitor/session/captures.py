"""Captures that a session writes: a key or a command begins and ends them, or they are copies.

A source writes a capture itself, the recent past first; a replay copies its whole file at once. An
error of a file becomes one line for a person.
"""

from __future__ import annotations

import os
import time
from contextlib import contextmanager
from functools import partial
from typing import TYPE_CHECKING

from ..ingest.capture import CaptureError, CaptureReader, CaptureWriter
from ..ingest.files import FileError, NewFile
from ..model.errors import CommandError
from ..model.vocabulary import StreamState

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ..ingest.sources.status import Source
    from .machine import Machine

FILE_NAME = "idlehands-%Y%m%d-%H%M%S.idlehands"
"""The name of a capture that a key begins, by the wall clock, in the working folder."""


class CaptureControl:
    """The capture that a key begins and ends. A source writes one capture at a time.

    path: where it is written, "" while none is open. asked_path: the file of a capture that the
    command line asked for; no key ends that one.
    """

    def __init__(self, machine: Machine) -> None:
        self.path = ""
        self.asked_path = ""
        self._machine = machine
        self._is_changing = False

    async def toggle(self, source: Source) -> str:
        """Begin a capture of `source` or end the open one; return what to say, "" for nothing.

        Files are written on another thread. A call does nothing while an earlier one is still at
        work.
        """
        if self.asked_path:
            return f"already capturing to {self.asked_path}"
        if self._is_changing:
            return ""
        self._is_changing = True
        try:
            return await (self._end(source) if self.path else self._begin(source))
        except CaptureError as error:
            self.path = ""
            return str(error)
        finally:
            self._is_changing = False

    async def _begin(self, source: Source) -> str:
        path = time.strftime(FILE_NAME, time.localtime(self._machine.wall()))
        await self._machine.on_thread(partial(source.start_capture, path))
        self.path = path
        sends_more = source.status.state not in (StreamState.ENDED, StreamState.REPLAY)
        return "" if sends_more else await self._end(source)

    async def _end(self, source: Source) -> str:
        path = self.path
        await self._machine.on_thread(source.stop_capture)
        self.path = ""
        return f"wrote {path}"


@contextmanager
def command_errors() -> Iterator[None]:
    """Turn errors of a file into the CommandError that ends a command with status 2."""
    try:
        yield
    except (CaptureError, FileError) as error:
        raise CommandError(str(error)) from error


@contextmanager
def new_file(path: str, *, replace: bool) -> Iterator[NewFile]:
    """Make a file that gets its name when all is written, and none if something goes wrong.

    Raises CommandError where it cannot be made, written or named.
    """
    with command_errors(), NewFile(path, replace=replace) as file:
        yield file


def copy_whole_blocks(source_path: str, path: str, *, replace: bool) -> str:
    """Copy the whole blocks of a capture, without a torn tail; return what is wrong with it, or "".

    Raises CommandError.
    """
    with command_errors():
        reader = CaptureReader(source_path)
        if os.path.exists(path) and os.path.samefile(source_path, path):
            raise CommandError(f"{path}: is the capture itself; give the copy another name")
        writer = CaptureWriter(path, replace=replace, facts=reader.facts)
        try:
            for block in reader:
                writer.add(block.at_ns, block.frames)
                writer.flush()
        finally:
            writer.close()
        return reader.warning
