"""The arguments that say which time a command is about, for every command that has them.

Only argparse is imported, so that `--help` answers at once.
"""

from __future__ import annotations

import argparse

from ..model.bounds import Bound, Cut, parsed
from ..model.errors import CommandError
from .arguments import duration

BOUND = "a second of the run (12.5s), a local time (14:03:05) or the note of a mark"


def bound(text: str) -> Bound:
    """Parse one end of a window. Raises argparse.ArgumentTypeError."""
    try:
        return parsed(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def add_running(command: argparse.ArgumentParser, otherwise: str) -> None:
    """Add --for and --past, for a target that runs; `otherwise` says how long without --for."""
    command.add_argument(
        "--for",
        dest="seconds",
        type=duration,
        metavar="TIME",
        help=f"the window of a running target: so long from now on ({otherwise})",
    )
    command.add_argument(
        "--past",
        type=duration,
        default=0.0,
        metavar="TIME",
        help="and so much of the recent past before it, as far as the target still holds that",
    )


def add_cut(command: argparse.ArgumentParser) -> None:
    """Add --from and --to, which cut a capture."""
    group = command.add_argument_group("part of a capture")
    group.add_argument(
        "--from", dest="begin", type=bound, metavar="T", help=f"begin there: {BOUND}"
    )
    group.add_argument("--to", dest="end", type=bound, metavar="T", help="end there, likewise")


def refuse_for_capture(options: argparse.Namespace, *, is_capture: bool) -> None:
    """Raise CommandError, status 2, where --for or --past is given for a capture."""
    if is_capture and (options.seconds is not None or options.past):
        raise CommandError(
            f"{options.target}: --for and --past are for what runs; --from and --to cut a capture"
        )


def cut_of(options: argparse.Namespace) -> Cut:
    """Return the part of a capture that the options ask for. Raises CommandError, status 2.

    Two seconds of the run in the wrong order are noticed here, everything else by who reads the
    capture.
    """
    cut = Cut(options.begin, options.end)
    if cut.begin is not None and cut.end is not None:
        begin, end = cut.begin.second, cut.end.second
        if begin is not None and end is not None and begin >= end:
            raise CommandError(f"--from {cut.begin.text} is not before --to {cut.end.text}")
    return cut
