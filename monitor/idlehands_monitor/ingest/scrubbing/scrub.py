"""Writes a scrubbed copy of a recording, and the key to its names. Touches the file system only."""

from __future__ import annotations

import os
import stat
from collections import Counter
from typing import TYPE_CHECKING, Any

from ..capture import CaptureWriter
from ..files import FileError, NewFile
from ..wire_frames import encoded
from .frames import Scrubber, scrubbed_facts
from .stand_ins import MOST_KEY_BYTES, NotAKey, StandIns, stand_ins_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from ..capture import Block
    from ..schema import CheckedFrame


def read_key(path: str) -> StandIns:
    """Return the stand-ins of the key at `path`, none where there is no such file yet.

    Raises FileError for a file that is no key, or may not be read.
    """
    try:
        if not stat.S_ISREG(os.lstat(path).st_mode):
            raise FileError(f"{path}: is not a regular file")
        with open(path, "rb") as file:
            return stand_ins_of(file.read(MOST_KEY_BYTES))
    except FileNotFoundError:
        return StandIns()
    except NotAKey as error:
        raise FileError(f"{path}: {error}; it was not changed") from error
    except OSError as error:
        raise FileError(f"{path}: {error.strerror}") from error


def write_scrubbed(
    portions: Iterable[tuple[Block, list[CheckedFrame]]],
    facts: Mapping[str, Any],
    path: str,
    key_path: str,
    *,
    replace: bool = False,
) -> Counter[str]:
    """Write the frames of a recording, scrubbed, as a capture; return what was removed, by kind.

    facts: those of its header. The key at `key_path` is written first; one that is there already is
    used and added to. Raises FileError and CaptureError.
    """
    stand_ins = read_key(key_path)
    scrubber = Scrubber(stand_ins)
    writer = CaptureWriter(path, replace=replace, facts=scrubbed_facts(facts))
    last: Block | None = None
    try:
        for block, frames in portions:
            if block is not last and last is not None:
                writer.flush()
            last = block
            writer.add(block.at_ns, b"".join(_encoded(frame, scrubber) for frame in frames))
        with NewFile(key_path, replace=True) as key:
            key.write(stand_ins.key)
        writer.close()
    finally:
        writer.abandon()
    return scrubber.removed


def _encoded(frame: CheckedFrame, scrubber: Scrubber) -> bytes:
    """Return a frame's bytes without private text, none where it does not pass."""
    scrubbed = scrubber.scrubbed(frame)
    return encoded(scrubbed) if scrubbed is not None else b""
