"""A copy of a recording without private names, and the key to them."""

from __future__ import annotations

import os
from dataclasses import dataclass

from ..ingest.scrubbing.scrub import write_scrubbed
from ..ingest.sources.replay import checked_blocks, open_recording
from ..model.errors import CommandError
from .captures import command_errors

KEY_SUFFIX = ".key"


@dataclass(frozen=True, slots=True)
class Scrubbed:
    """What was written. key: the path of the key. removed: how many frames went, by kind. warning:
    what could not be read, "" for nothing."""

    key: str
    removed: dict[str, int]
    warning: str


def scrub(path: str, target: str, key: str | None, *, replace: bool) -> Scrubbed:
    """Write a scrubbed copy of the recording at `path` to `target`, and its key.

    key: the path of the key, beside the copy where it is not given; a key that is there already is
    used and added to. Raises CommandError.
    """
    with command_errors():
        reader = open_recording(path)
        if os.path.exists(target) and os.path.samefile(path, target):
            raise CommandError(f"{target}: is the recording itself; give the copy another name")
        key_path = target + KEY_SUFFIX if key is None else key
        if os.path.abspath(key_path) in (os.path.abspath(target), os.path.abspath(path)):
            raise CommandError(f"{key_path}: the key needs a file of its own")
        removed = write_scrubbed(
            checked_blocks(reader, reader.path), reader.facts, target, key_path, replace=replace
        )
        return Scrubbed(key_path, dict(removed), reader.warning)
