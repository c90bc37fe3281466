"""The frames of a stream that those after them need to be understood: the latest of each sort.

Pure. They are the hello of each process, the names of each pool, and how processes have ended.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from idlehands.wire import NONE, encode

from .packing import parsed_frame

if TYPE_CHECKING:
    from collections.abc import Iterable

SORTS = {b"hello": "hello", b"names": "names", b"withdrawn": "names", b"bye": "bye"}
MOST_BYTES = 1 << 20
"""Of more than so much the names of the pools that were named first go."""

Key = tuple[int, str, int]
"""The process, the sort of frame, and the pool, -1 for none."""


class Openings:
    """The latest frame of each sort, process and pool."""

    def __init__(self) -> None:
        self._held: dict[Key, bytes] = {}
        self._bytes = 0

    def note(self, rare: Iterable[tuple[int, bytes, bytes]]) -> None:
        """Note rare frames: (process, kind, bytes)."""
        for process, kind, raw in rare:
            if kind in SORTS:
                self._hold(process, SORTS[kind], raw)
        while self._bytes > MOST_BYTES:
            oldest = next((key for key in self._held if key[1] == "names"), None)
            if oldest is None:
                return
            self._bytes -= len(self._held.pop(oldest))

    def _hold(self, process: int, sort: str, raw: bytes) -> None:
        frame = parsed_frame(raw) or {}
        pool = frame.get("pool", NONE) if sort == "names" else NONE
        if sort == "hello":  # the process begins its stream anew
            for key in [key for key in self._held if key[0] == process]:
                self._bytes -= len(self._held.pop(key))
        key = process, sort, pool if type(pool) is int else NONE
        self._bytes += len(raw) - len(self._held.pop(key, b""))
        self._held[key] = raw  # moved to the end: the oldest is the first

    def frames(self) -> bytes:
        """Return the frames, of each process behind one that says which process it is."""
        found = bytearray()
        for process in {key[0]: None for key in self._held}:
            if process != NONE:
                found += encode({"frame": "from", "pid": process})
            for sort in ("hello", "names", "bye"):
                found += b"".join(
                    raw for key, raw in self._held.items() if key[:2] == (process, sort)
                )
        return bytes(found)
