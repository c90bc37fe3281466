"""`idlehands capture`: write a capture of a running target, or the whole blocks of a capture."""

from __future__ import annotations

import os
from time import monotonic, monotonic_ns, sleep
from typing import TYPE_CHECKING

from ..ingest.capture import CaptureError, CaptureReader, CaptureWriter
from ..model.errors import DONE, CommandError
from .output import message
from .targets import is_file, open_live

if TYPE_CHECKING:
    import argparse

POLL_SECONDS = 0.1


def run(options: argparse.Namespace) -> int:
    """Capture until the target ends, the time is up or ctrl+c."""
    try:
        if is_file(options.target):
            copy_whole_blocks(options.target, options.output, replace=options.force)
        else:
            capture_live(options.target, options.output, options.seconds, replace=options.force)
    except CaptureError as error:
        raise CommandError(str(error)) from error
    return DONE


def capture_live(target: str, path: str, seconds: float | None, *, replace: bool) -> None:
    """Attach to `target` and write what it sends to `path`.

    With `seconds` the capture says that it is of these: the probe sends of its recent past too.
    """
    source = open_live(target)
    try:
        source.start_capture(path, replace=replace)
        message(f"capturing {target} to {path}; ctrl+c ends it")
        try:
            deadline = None
            if seconds is not None:
                deadline = monotonic() + seconds
                length_ns = int(seconds * 1e9)
                source.note({"frame": "window", "begin_ns": monotonic_ns(), "length_ns": length_ns})
            while source.status.state != "ended":
                source.drain()  # the capture is written by the source; nothing is shown here
                if deadline is not None and monotonic() >= deadline:
                    break
                sleep(POLL_SECONDS)
        except KeyboardInterrupt:
            pass
        if source.status.warning:
            message(source.status.warning)
        source.stop_capture()
        message(f"wrote {path}")
    finally:
        source.close()


def copy_whole_blocks(source_path: str, path: str, *, replace: bool) -> None:
    """Copy the whole blocks of a capture, leaving out a torn tail."""
    reader = CaptureReader(source_path)
    if os.path.exists(path) and os.path.samefile(source_path, path):
        raise CommandError(f"{path}: is the capture itself; give the copy another name")
    writer = CaptureWriter(path, replace=replace, at_once=False)
    for block in reader:
        writer.add(block.at_ns, block.frames)
        writer.flush()
    writer.close()
    if reader.warning:
        message(f"{source_path}: {reader.warning}")
