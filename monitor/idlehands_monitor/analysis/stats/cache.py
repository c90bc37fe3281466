"""A cache for figures that are too costly for a screen that is drawn four times a second."""

from __future__ import annotations

from typing import Any, Callable, NamedTuple, TypeVar

SECOND_NS = 1_000_000_000

Made = TypeVar("Made")


class Ages(NamedTuple):
    """How old, in seconds, a part of a live reading may be before it is computed again.

    judged: promises, stealing, deques, parking, graph, queueing; more than half of the work.
    kinds: the time split of each kind of task. host: what the host reports of the processes.
    """

    judged: int = 1
    kinds: int = 1
    host: int = 2


FRESH = Ages()


class Cache:
    """Caches results by name, each for some seconds of the data's time."""

    def __init__(self) -> None:
        self._made: dict[str, tuple[int, Any]] = {}  # (end_ns it was made for, result)
        self._last_end: dict[str, int] = {}

    def __getstate__(self) -> dict[str, Any]:
        """Return what is not cached: a copy computes the rest again."""
        return {**self.__dict__, "_made": {}, "_last_end": {}}

    def cached(self, what: str, end_ns: int, seconds: int, make: Callable[[], Made]) -> Made:
        """Return the cached result of `make` for `what`; call `make` if it is `seconds` old.

        `make` is also called if the end did not move since the last call: no more data arrives, or
        the stream is paused, and the result must then cover all the data.
        """
        stands = self._last_end.get(what) == end_ns
        self._last_end[what] = end_ns
        known = self._made.get(what)
        if (
            known is None
            or (stands and known[0] != end_ns)
            or not 0 <= end_ns // SECOND_NS - known[0] // SECOND_NS < seconds
        ):
            known = self._made[what] = end_ns, make()
        found: Made = known[1]
        return found
