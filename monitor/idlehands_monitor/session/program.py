"""The demonstration as a program in a process of its own, as anybody's would be.

This module knows only the command that starts it.
"""

from __future__ import annotations

import contextlib
import signal
import subprocess
import sys
import tempfile
from typing import TYPE_CHECKING

from ..ingest.sources.live import LiveSource
from ..model.errors import CommandError
from .feed import Feed
from .machine import MACHINE, Machine
from .session import Session
from .targets import wait_until_attached

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from ..ingest.intake import TakingSource

PROGRAM = (sys.executable, "-m", "idlehands_demo")
START_SECONDS = 30.0
STOP_SECONDS = 5.0


def list_demonstrations() -> int:
    """Have the program print its scenarios and faults; return its exit status."""
    return subprocess.run([*PROGRAM, "--list"], check=False).returncode


@contextlib.contextmanager
def demonstration(
    arguments: Sequence[str], machine: Machine = MACHINE, *, takes_stacks: bool = True
) -> Iterator[Demonstration]:
    """Start the program. At the end of the context it has ended, and its `output` is known.

    takes_stacks: whether stacks of it may be taken.
    """
    # The screen owns the terminal, so what the program prints is kept for afterwards.
    with tempfile.TemporaryFile("w+", encoding="utf-8") as file:
        process = subprocess.Popen(
            [*PROGRAM, *arguments],
            stdin=subprocess.DEVNULL,
            stdout=file,
            stderr=file,
            start_new_session=True,  # ctrl+c is for the dashboard, which then ends the program
        )
        source = LiveSource(str(process.pid), takes_stacks=takes_stacks)
        program = Demonstration(process, source, machine)
        try:
            yield program
        finally:
            program.stop()
            file.seek(0)
            program.output = file.read()


class Demonstration:
    """The running program. output: what it printed, known once it has ended."""

    def __init__(
        self, process: subprocess.Popen[bytes], source: TakingSource, machine: Machine
    ) -> None:
        self.output = ""
        self._process = process
        self._machine = machine
        self._source = source

    @property
    def returncode(self) -> int:
        """The exit status, below 0 the number of a signal; waits for a program that still runs."""
        return self._process.wait()

    @property
    def has_failed(self) -> bool:
        """Whether it has ended, and not as it should."""
        return self._process.poll() not in (None, 0)

    def session(self, window_ns: int) -> Session:
        """Return a session over the program, which need not be attached yet; it closes the source.

        window_ns: the time that readings cover.
        """
        return Session(Feed(self._source, window_ns, machine=self._machine), self._machine)

    def wait_for_pool(self) -> None:
        """Wait until a reader can attach to the program's pool, or the program has ended."""
        with contextlib.suppress(CommandError):
            wait_until_attached(self._source, START_SECONDS, self._machine, self._has_ended)

    def _has_ended(self) -> bool:
        return self._process.poll() is not None

    def wait(self) -> None:
        """Give a program that is about to end `STOP_SECONDS`, so that it needs no signal."""
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(STOP_SECONDS)

    def stop(self) -> None:
        """End the program if it still runs: with SIGTERM, and after `STOP_SECONDS` with SIGKILL."""
        if not self._has_ended():
            self._process.send_signal(signal.SIGTERM)
            try:
                self._process.wait(STOP_SECONDS)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
