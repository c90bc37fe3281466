"""Frames as the tests read them."""

from __future__ import annotations

import struct

from idlehands.wire import TABLES, Frame


def columns_of(frame: Frame) -> dict[str, tuple[int, ...]]:
    """Return the columns of a rows frame, in whichever of the two forms it is."""
    if "words" not in frame:
        columns = frame["columns"].items()
        return {name: struct.unpack(f"<{len(data) // 8}q", data) for name, data in columns}
    names, words = TABLES[frame["table"]].names, frame["words"]
    values = struct.unpack(f"<{len(words) // 8}q", words)
    width = frame["skip"] + len(names)
    return {name: values[place::width] for place, name in enumerate(names, frame["skip"])}
