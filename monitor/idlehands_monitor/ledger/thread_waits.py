"""What threads waited for in each sample, by thread, as a `WaitReason` or `RUNNING`. Pure."""

from __future__ import annotations

from array import array
from bisect import bisect_left
from typing import TYPE_CHECKING

import numpy as np

from ..model.arrays import Int64
from ..model.vocabulary import RUNNING, WaitReason

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping


MOST_SAMPLES = 1 << 20
"""The most samples of all threads; beyond it every other one is dropped, so shares do not
change."""
MOST_THREADS = 1 << 14
"""The most threads; beyond it the thread with the oldest last sample is dropped first."""

_CODES: dict[str, int] = {RUNNING: -1, **{reason: place for place, reason in enumerate(WaitReason)}}
_OTHER = _CODES[WaitReason.OTHER]


class _Samples:
    """When one thread was sampled and what it waited for, oldest first."""

    __slots__ = ("codes", "timestamps")

    def __init__(self) -> None:
        self.timestamps = array("q")
        self.codes = array("b")

    def drop(self, count: int) -> None:
        """Forget the first samples."""
        del self.timestamps[:count], self.codes[:count]

    def thin(self) -> None:
        """Forget every other sample but the last."""
        del self.timestamps[-2::-2], self.codes[-2::-2]


_NO_SAMPLES = _Samples()


class ThreadSamples:
    """Samples of threads, by kernel id."""

    def __init__(self, most: int = MOST_SAMPLES) -> None:
        self._threads: dict[int, _Samples] = {}
        self._held = 0
        self._most = most

    def add(
        self, at_ns: int, waits: Mapping[int, str], timestamps: Mapping[int, int] | None = None
    ) -> None:
        """Add what threads wait for, each at its own timestamp where there is one.

        A reason that is not known here counts as other.
        """
        timestamps = timestamps or {}
        for native_id, reason in waits.items():
            timestamp_ns = timestamps.get(native_id, at_ns)
            samples = self._threads.pop(native_id, None) or _Samples()
            if samples.timestamps and timestamp_ns < samples.timestamps[-1]:
                # another thread, or another stream, begins
                self._held -= len(samples.timestamps)
                samples.drop(len(samples.timestamps))
            samples.timestamps.append(timestamp_ns)
            samples.codes.append(_CODES.get(reason, _OTHER))
            self._threads[native_id] = samples  # moved to the end: ordered by last sample
            self._held += 1
        while len(self._threads) > MOST_THREADS:
            self._forget_thread(next(iter(self._threads)))
        if self._held > self._most:
            for samples in self._threads.values():
                samples.thin()
            self._held = sum(len(samples.timestamps) for samples in self._threads.values())

    def of_each(self, asked: Iterable[tuple[int, int, int]]) -> tuple[list[int], Int64, Int64]:
        """Return (counts, timestamps, codes) of the samples of several threads, one after another.

        asked: (native id, begin, end) of each thread; counts: how many samples of it follow.
        """
        counts, timestamps, codes = [], array("q"), array("b")
        for native_id, begin_ns, end_ns in asked:
            samples = self._threads.get(native_id) or _NO_SAMPLES
            first = bisect_left(samples.timestamps, begin_ns)
            last = bisect_left(samples.timestamps, end_ns, first)
            counts.append(last - first)
            timestamps += samples.timestamps[first:last]
            codes += samples.codes[first:last]
        return counts, np.array(timestamps, dtype=np.int64), np.array(codes, dtype=np.int64)

    def of(self, native_id: int, begin_ns: int, end_ns: int) -> tuple[Int64, Int64]:
        """Return (timestamps, codes) of a thread's samples in [begin, end), oldest first.

        A code is a place in `REASONS_BY_CODE`.
        """
        _, timestamps, codes = self.of_each([(native_id, begin_ns, end_ns)])
        return timestamps, codes

    def forget_before(self, timestamp_ns: int) -> None:
        """Drop the samples before `timestamp_ns`."""
        for native_id, samples in list(self._threads.items()):
            if samples.timestamps[-1] < timestamp_ns:
                self._forget_thread(native_id)
                continue
            old = bisect_left(samples.timestamps, timestamp_ns)
            samples.drop(old)
            self._held -= old

    def _forget_thread(self, native_id: int) -> None:
        self._held -= len(self._threads.pop(native_id).timestamps)
