"""The recorder of one job, in a process of its own: from the job's first task to its last row."""

from __future__ import annotations

from typing import TYPE_CHECKING

from idlehands.wire import FolderRefused

from ..ingest.sources.called import CalledSource
from ..model.errors import CommandError
from .captures import command_errors

if TYPE_CHECKING:
    from collections.abc import Callable

DRAIN_SECONDS = 0.25


class Recorder:
    """Writes a capture of the processes that call a socket. A context manager that ends it.

    takes_stacks: whether it holds stacks, taken while workers wait in tasks.
    Raises CommandError where the socket or the file cannot be made.
    """

    def __init__(
        self,
        socket: str,
        job: int,
        path: str,
        *,
        replace: bool,
        most_bytes: int | None,
        takes_stacks: bool = True,
    ) -> None:
        self.path = path
        try:
            self._source = CalledSource(socket, job, takes_stacks=takes_stacks)
        except (OSError, FolderRefused) as error:
            raise CommandError(f"{socket}: {error}") from error
        try:
            with command_errors():
                self._source.start_capture(path, replace=replace, most_bytes=most_bytes)
        except CommandError:
            self._source.close()
            raise

    @property
    def has_begun(self) -> bool:
        """Whether any process of the job has called."""
        return self._source.has_begun

    @property
    def warning(self) -> str:
        """What is wrong with the streams or the capture, "" for nothing."""
        return self._source.status.warning

    def record(self, first_has_ended: Callable[[], None]) -> None:
        """Record until the job is over.

        first_has_ended: called once where the job's first process has ended and others go on.
        """
        is_told = False
        while not self._source.wait(DRAIN_SECONDS):
            self._source.drain()
            if self._source.first_has_ended and not is_told:
                is_told = True
                first_has_ended()

    def finish(self) -> None:
        """Complete the capture, so that it gets its name. Raises CommandError."""
        with command_errors():
            self._source.stop_capture()

    def __enter__(self) -> Recorder:
        return self

    def __exit__(self, *_error: object) -> None:
        self._source.close()
