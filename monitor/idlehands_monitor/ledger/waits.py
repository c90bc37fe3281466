"""What threads were seen waiting for, look by look."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

RUNNING = "running"
WAIT_SORTS = ("interpreter lock", "lock", "sleep", "input/output", "child process", "other")
"""What a thread that is off the core can be seen to wait for, see the monitor's source `waits`."""
SORT_NUMBERS = {RUNNING: -1, **{sort: number for number, sort in enumerate(WAIT_SORTS)}}


class WaitLooks:
    """Looks at threads, oldest first: (moment, {kernel thread id: sort}), -1 for one that ran."""

    def __init__(self) -> None:
        self._looks: deque[tuple[int, dict[int, int]]] = deque()

    def add(self, at_ns: int, waits: Mapping[int, object]) -> None:
        """Add a look. A sort that is not known here counts as other."""
        other = SORT_NUMBERS["other"]
        seen = {who: SORT_NUMBERS.get(str(sort), other) for who, sort in waits.items()}
        self._looks.append((at_ns, seen))

    def between(self, begin_ns: int, end_ns: int) -> list[tuple[int, dict[int, int]]]:
        """Return the looks in [begin, end)."""
        found = []
        for at_ns, seen in reversed(self._looks):
            if at_ns < begin_ns:
                break
            if at_ns < end_ns:
                found.append((at_ns, seen))
        return found

    def forget_before(self, moment_ns: int) -> None:
        """Drop the looks before a moment."""
        while self._looks and self._looks[0][0] < moment_ns:
            self._looks.popleft()
