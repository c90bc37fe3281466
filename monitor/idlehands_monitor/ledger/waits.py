"""What threads were seen in, look by look, in the words of the monitor's source `waits`."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from typing import NamedTuple

RUNNING = "running"
WAIT_SORTS = ("interpreter lock", "lock", "sleep", "input/output", "child process", "other")
"""What a thread that is off the core can be seen to wait for."""
MOST_SIGHTS = 1 << 19
"""Threads seen, over all looks held; past it every other look goes, which leaves shares as they
are."""

_KNOWN = {word: word for word in (RUNNING, *WAIT_SORTS)}


class Look(NamedTuple):
    """What each thread, by kernel id, was in at a moment, its own in `moments` where known."""

    at_ns: int
    waits: dict[int, str]
    moments: Mapping[int, int] = {}

    def moment(self, native_id: int) -> int:
        """Return when a thread was looked at."""
        return self.moments.get(native_id, self.at_ns)


class WaitLooks:
    """Looks at threads, oldest first."""

    def __init__(self, most: int = MOST_SIGHTS) -> None:
        self._looks: deque[Look] = deque()
        self._held = 0
        self._most = most

    def add(
        self, at_ns: int, waits: Mapping[int, str], moments: Mapping[int, int] | None = None
    ) -> None:
        """Add a look. A word that is not known here counts as other."""
        seen = {who: _KNOWN.get(word, "other") for who, word in waits.items()}
        own = {who: moments[who] for who in seen.keys() & moments.keys()} if moments else {}
        self._looks.append(Look(at_ns, seen, own))
        self._held += len(seen)
        if self._held > self._most:
            self._looks = deque(list(self._looks)[::2])
            self._held = sum(len(look.waits) for look in self._looks)

    def between(self, begin_ns: int, end_ns: int) -> list[Look]:
        """Return the looks in [begin, end), oldest first."""
        found = []
        for look in reversed(self._looks):
            if look.at_ns < begin_ns:
                break
            if look.at_ns < end_ns:
                found.append(look)
        return found[::-1]

    def forget_before(self, moment_ns: int) -> None:
        """Drop the looks before a moment."""
        while self._looks and self._looks[0].at_ns < moment_ns:
            self._held -= len(self._looks.popleft().waits)
