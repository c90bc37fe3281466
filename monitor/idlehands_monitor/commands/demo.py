"""`idlehands demo`: start the demonstration as an ordinary program and watch it.

The program runs in a process of its own, as anybody's would; all that is known of it here is
the command that starts it.
"""

from __future__ import annotations

import contextlib
import signal
import subprocess
import sys
import tempfile
from typing import TYPE_CHECKING

from ..ingest.capture import CaptureError
from ..ingest.sources.live import LiveSource
from ..model.errors import CHECK_FAILED, DONE, CommandError
from ..session.feed import Feed
from .output import message, write
from .screen import has_screen, show
from .targets import wait_until_attached

if TYPE_CHECKING:
    import argparse

PROGRAM = (sys.executable, "-m", "idlehands_demo")
ALONE = "5m"
"""A killed dashboard leaves the program running, to be attached to again, but not for ever."""
START_SECONDS = 30.0
STOP_SECONDS = 5.0


def run(options: argparse.Namespace) -> int:
    """Run the demonstration until it ends or the person quits; its failure is status 1."""
    if options.list:
        return subprocess.run([*PROGRAM, "--list"], check=False).returncode
    lines = options.no_screen or not has_screen()
    with tempfile.TemporaryFile("w+", encoding="utf-8") as output:
        # The screen owns the terminal, so what the program says is kept for afterwards.
        program = subprocess.Popen(
            [*PROGRAM, *_arguments(options)],
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=output,
            start_new_session=True,  # ctrl+c is for the dashboard, which then ends the program
        )
        signal.signal(signal.SIGHUP, _hung_up)  # the terminal is closed: end like any job of it
        try:
            status = _watch(program, options, lines=lines)
        finally:
            _stop(program)
            output.seek(0)
            said = output.read()
    return _finish(program, said, status)


def _hung_up(_number: int, _frame: object) -> None:
    raise KeyboardInterrupt


def _arguments(options: argparse.Namespace) -> list[str]:
    arguments = [options.scenario] if options.scenario else []
    arguments += ["--alone", ALONE]
    for flag, value in (
        ("--workers", options.workers),
        ("--seed", options.seed),
        ("--fault", options.fault),
        ("--for", options.seconds),
    ):
        if value is not None:
            arguments += [flag, str(value)]
    return arguments


def _watch(program: subprocess.Popen[bytes], options: argparse.Namespace, *, lines: bool) -> int:
    source = LiveSource(str(program.pid))
    try:
        wait_for_program(source, program)
        if program.poll() not in (None, 0):
            return DONE  # it failed at once; its own words say why
        if options.capture:
            try:
                source.start_capture(options.capture, replace=options.force)
            except CaptureError as error:
                raise CommandError(str(error)) from error
        feed = Feed(source, int(options.window * 1e9))
        show(feed, lines=lines, seconds=None)
        if source.status.warning:
            message(source.status.warning)
    except KeyboardInterrupt:
        pass
    finally:
        if source.status.state == "ended":  # it is on its way out and needs no signal
            with contextlib.suppress(subprocess.TimeoutExpired):
                program.wait(STOP_SECONDS)
        _stop(program)  # while still attached, so that its last words reach the capture
        source.close()
    return DONE


def wait_for_program(source: LiveSource, program: subprocess.Popen[bytes]) -> None:
    """Wait until the program's pool can be attached to, or the program has ended."""
    with contextlib.suppress(CommandError):
        wait_until_attached(source, START_SECONDS, lambda: program.poll() is not None)


def _stop(program: subprocess.Popen[bytes]) -> None:
    if program.poll() is None:
        program.send_signal(signal.SIGTERM)
        try:
            program.wait(STOP_SECONDS)
        except subprocess.TimeoutExpired:
            program.kill()
            program.wait()


def _finish(program: subprocess.Popen[bytes], said: str, status: int) -> int:
    code = program.returncode
    if code == 0:
        write(said)
        return status
    write(said, error=True)
    if code < 0:
        message(f"the demonstration was ended by signal {-code}")
        return CHECK_FAILED
    return code
