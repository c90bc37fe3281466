"""Up to when a stream has sent everything, without a ledger of it. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from ..ingest import CheckedFrame


class Reached:
    """The time of the last levels of each open pool: everything up to then had been sent."""

    def __init__(self) -> None:
        self._pid = -1
        self._pools: dict[tuple[int, int], int] = {}

    def note(self, frames: Iterable[CheckedFrame]) -> None:
        """Take the next frames of the stream."""
        for frame in frames:
            kind = frame["frame"]
            if kind == "from":
                self._pid = frame["pid"]
            elif kind == "levels":
                self._pools[self._pid, frame["pool"]] = frame["at_ns"]
            elif kind == "withdrawn" or (kind == "names" and frame["closed_ns"] >= 0):
                self._pools.pop((self._pid, frame["pool"]), None)
            elif kind == "bye":
                self._pools = {key: at for key, at in self._pools.items() if key[0] != self._pid}

    def is_at(self, timestamp_ns: int) -> bool:
        """Return whether every open pool has sent everything up to a time."""
        return all(at_ns >= timestamp_ns for at_ns in self._pools.values())
