"""What threads were seen in, thread by thread, in the words of the monitor's source `waits`."""

from __future__ import annotations

from array import array
from bisect import bisect_left
from typing import TYPE_CHECKING

import numpy as np

from ..model.arrays import Int64
from ..model.vocabulary import RUNNING, WaitReason

if TYPE_CHECKING:
    from collections.abc import Mapping


MOST_SIGHTS = 1 << 20
"""Of all threads; past it every other one of each goes, which leaves shares as they are."""
MOST_THREADS = 1 << 14
"""The one seen longest ago goes first."""

_CODES: dict[str, int] = {RUNNING: -1, **{sort: place for place, sort in enumerate(WaitReason)}}
_OTHER = _CODES["other"]


class _Samples:
    """When one thread was looked at and what it was in, oldest first."""

    __slots__ = ("codes", "timestamps")

    def __init__(self) -> None:
        self.timestamps = array("q")
        self.codes = array("b")

    def drop(self, count: int) -> None:
        """Forget the first ones."""
        del self.timestamps[:count], self.codes[:count]

    def thin(self) -> None:
        """Forget every other one but the last."""
        del self.timestamps[-2::-2], self.codes[-2::-2]


class ThreadSamples:
    """Looks at threads, by kernel id."""

    def __init__(self, most: int = MOST_SIGHTS) -> None:
        self._threads: dict[int, _Samples] = {}
        self._held = 0
        self._most = most

    def add(
        self, at_ns: int, waits: Mapping[int, str], timestamps: Mapping[int, int] | None = None
    ) -> None:
        """Add what threads are in, each at its own moment where that is known.

        A word that is not known here counts as other.
        """
        timestamps = timestamps or {}
        for native_id, word in waits.items():
            moment = timestamps.get(native_id, at_ns)
            seen = self._threads.pop(native_id, None) or _Samples()
            if (
                seen.timestamps and moment < seen.timestamps[-1]
            ):  # another thread, or stream, begins
                self._held -= len(seen.timestamps)
                seen.drop(len(seen.timestamps))
            seen.timestamps.append(moment)
            seen.codes.append(_CODES.get(word, _OTHER))
            self._threads[native_id] = seen  # at the end: the order is who was seen last
            self._held += 1
        while len(self._threads) > MOST_THREADS:
            self._forget_thread(next(iter(self._threads)))
        if self._held > self._most:
            for seen in self._threads.values():
                seen.thin()
            self._held = sum(len(seen.timestamps) for seen in self._threads.values())

    def of(self, native_id: int, begin_ns: int, end_ns: int) -> tuple[Int64, Int64]:
        """Return the sights of a thread in [begin, end), oldest first: their moments and codes.

        What a code means is in `REASONS_BY_CODE`.
        """
        seen = self._threads.get(native_id) or _Samples()
        first, last = bisect_left(seen.timestamps, begin_ns), bisect_left(seen.timestamps, end_ns)
        return (
            np.array(seen.timestamps[first:last], dtype=np.int64),
            np.array(seen.codes[first:last], dtype=np.int64),
        )

    def forget_before(self, timestamp_ns: int) -> None:
        """Drop the sights before a moment."""
        for native_id, seen in list(self._threads.items()):
            if seen.timestamps[-1] < timestamp_ns:
                self._forget_thread(native_id)
                continue
            old = bisect_left(seen.timestamps, timestamp_ns)
            seen.drop(old)
            self._held -= old

    def _forget_thread(self, native_id: int) -> None:
        self._held -= len(self._threads.pop(native_id).timestamps)
