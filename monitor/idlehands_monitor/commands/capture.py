"""`idlehands capture`: write a capture of a running target, or the whole blocks of a capture."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

from ..model.errors import DONE, CommandError
from ..session.captures import copy_whole_blocks
from ..session.opening import open_session
from ..session.targets import is_file
from .output import message

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
        capture_live(target, path, options.seconds, options.past, replace=options.force)
    return DONE


def capture_live(
    target: str, path: str, seconds: float | None, past_s: float, *, replace: bool
) -> None:
    """Attach to `target` and write what it sends to `path`.

    With `seconds` or `past_s` the capture says which time it covers, because the probe sends
    earlier rows too.
    """
    with open_session(target, None) as session:
        session.start_capture(path, replace=replace)
        message(f"capturing {target} to {path}; ctrl+c ends it")
        with contextlib.suppress(KeyboardInterrupt):
            session.record(seconds, past_s)
        if session.warning:
            message(session.warning)
        session.stop_capture()
        message(f"wrote {path}")
