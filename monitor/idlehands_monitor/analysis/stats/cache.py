"""A cache of what costs more to work out than a screen drawn four times a second should."""

from __future__ import annotations

from typing import Any, Callable, NamedTuple, TypeVar

SECOND_NS = 1_000_000_000

Made = TypeVar("Made")


class Ages(NamedTuple):
    """How old, in seconds, a part of a live reading may be before it is worked out anew.

    judged: promises, stealing, deques, parking, graph, queueing; more than half of the work.
    kinds: the time split of each kind of task. host: what the host reports of the processes.
    """

    judged: int = 1
    kinds: int = 1
    host: int = 2


FRESH = Ages()


class Cache:
    """Keeps what costs more to work out than a screen that is drawn four times a second should."""

    def __init__(self) -> None:
        self._made: dict[str, tuple[int, Any]] = {}  # for which end it was made, and what
        self._asked: dict[str, int] = {}

    def cached(self, what: str, end_ns: int, seconds: int, make: Callable[[], Made]) -> Made:
        """Return what `make` returned last for `what`, made anew if that is so many seconds old.

        Also when the end is where it was the last time: nothing comes any more, or it is held
        still, and what is shown then is of all that there is.
        """
        stands = self._asked.get(what) == end_ns
        self._asked[what] = end_ns
        known = self._made.get(what)
        if (
            known is None
            or (stands and known[0] != end_ns)
            or not 0 <= end_ns // SECOND_NS - known[0] // SECOND_NS < seconds
        ):
            known = self._made[what] = end_ns, make()
        found: Made = known[1]
        return found
