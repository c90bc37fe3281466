"""`idlehands capture`: write a capture of a running target, or the whole blocks of a capture."""

from __future__ import annotations

import contextlib
import signal
from typing import TYPE_CHECKING

from ..model.errors import DONE, CommandError
from ..session.captures import copy_whole_blocks
from ..session.opening import open_session
from ..session.targets import is_file
from .output import interrupted, message

if TYPE_CHECKING:
    import argparse

COPIED_WHOLE = "a capture is copied whole; --for and --past are for what runs"


def run(options: argparse.Namespace) -> int:
    """Capture until the target ends, the time is up or ctrl+c."""
    target, path = options.target, options.output
    if is_file(target):
        if options.seconds is not None or options.past:
            raise CommandError(f"{target}: {COPIED_WHOLE}")
        warning = copy_whole_blocks(target, path, replace=options.force)
        if warning:
            message(f"{target}: {warning}")
        message(f"wrote {path}")
    else:
        capture_live(options)
    return DONE


def capture_live(options: argparse.Namespace) -> None:
    """Attach to the target and write what it sends until it ends, the time is up or ctrl+c.

    With `--for` or `--past` the capture says which time it covers, because the probe sends earlier
    rows too.
    """
    target, path = options.target, options.output
    signal.signal(signal.SIGTERM, interrupted)
    signal.signal(signal.SIGHUP, interrupted)
    with open_session(target, None, takes_stacks=options.takes_stacks) as session:
        session.start_capture(path, replace=options.force, most_bytes=options.max)
        message(f"capturing {target} to {path}; ctrl+c ends it")
        with contextlib.suppress(KeyboardInterrupt):
            session.record(options.seconds, options.past)
        if session.warning:
            message(session.warning)
        session.stop_capture()
        message(f"wrote {path}")
