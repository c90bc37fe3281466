"""`idlehands demo`: start the demonstration as an ordinary program and watch it."""

from __future__ import annotations

import signal
from typing import TYPE_CHECKING

from ..model.errors import CHECK_FAILED, DONE
from ..session.program import demonstration, list_demonstrations
from .output import interrupted, message, write
from .screen import has_screen, show

if TYPE_CHECKING:
    import argparse

    from ..session.program import Demonstration

ALONE = "5m"
"""How long the program runs on after its dashboard was killed, so that another can attach."""


def run(options: argparse.Namespace) -> int:
    """Run the demonstration until it ends or the person quits; its failure is status 1."""
    if options.list:
        return list_demonstrations()
    lines = options.no_screen or not has_screen()
    with demonstration(_arguments(options), takes_stacks=options.takes_stacks) as program:
        # When the terminal closes, end as its other jobs do.
        signal.signal(signal.SIGHUP, interrupted)
        _watch(program, options, lines=lines)
    return _finish(program)


def _arguments(options: argparse.Namespace) -> list[str]:
    arguments = [options.scenario] if options.scenario else []
    arguments += ["--alone", ALONE]
    for flag, value in (
        ("--workers", options.workers),
        ("--seed", options.seed),
        ("--fault", options.fault),
        ("--pool", options.pool),
        ("--for", options.seconds),
    ):
        if value is not None:
            arguments += [flag, str(value)]
    return arguments


def _watch(program: Demonstration, options: argparse.Namespace, *, lines: bool) -> None:
    with program.session(int(options.window * 1e9)) as session:
        try:
            program.wait_for_pool()
            if program.has_failed:
                return  # at once: its output says why
            if options.capture:
                session.start_capture(options.capture, replace=options.force)
            show(session, lines=lines, seconds=None)
            if session.warning:
                message(session.warning)
        except KeyboardInterrupt:
            pass
        finally:
            if session.has_ended:  # the program is on its way out and needs no signal
                program.wait()
            program.stop()  # while still attached, so that its last frames reach the capture


def _finish(program: Demonstration) -> int:
    code = program.returncode
    if code == 0:
        write(program.output)
        return DONE
    write(program.output, error=True)
    if code < 0:
        message(f"the demonstration was ended by signal {-code}")
        return CHECK_FAILED
    return code
