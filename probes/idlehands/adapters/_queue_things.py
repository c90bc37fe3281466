"""Queues that hold things, not tasks: idle connections that threads take, use and put back.

Such a queue is recognised by the items that are put back: nearly all, again and again. Some tasks
are put back too, to be tried again, but seldom most of them, and seldom twice. Items are known by
their identity while they are alive, which a weak reference shows; no code of theirs runs. All of it
is called under the queue's own lock.
"""

from __future__ import annotations

import weakref
from threading import get_ident
from typing import Any, Callable, NamedTuple

LEAST_AGAIN, SHARE_BACK = 8, 0.9
"""A queue holds things once so many items, and such a share of those taken, were put back again."""
MOST_WATCHED = 256
"""After so many items a queue that shows no things counts as one of tasks, for good."""
MOST_HELD = 64
"""So many items that are taken, and so many that were put back, are known at a time."""


class Held(NamedTuple):
    """An item that a thread has taken, and whether it had been put back before."""

    reference: Callable[[], Any]
    taker: int
    again: bool


class Watch:
    """What was put back of one queue's items so far; `is_over`: it is one of tasks."""

    __slots__ = ("_again", "_came_back", "_held", "_returned", "_taken", "_watched", "is_over")

    def __init__(self) -> None:
        self._held: dict[int, Held] = {}
        self._came_back: set[int] = set()
        self._watched = self._taken = self._returned = self._again = 0
        self.is_over = False

    def taken(self, item: Any) -> None:
        """Note that the calling thread has taken an item."""
        self._watched += 1
        key = id(item)
        again = key in self._came_back
        self._came_back.discard(key)
        self.is_over = self._watched >= MOST_WATCHED and not self._holds_things()
        if callable(item) or self.is_over:
            return
        try:
            reference = weakref.ref(item)
        except TypeError:  # a number, a tuple and the like is no thing
            return
        self._taken += 1
        if len(self._held) >= MOST_HELD:
            self._held.clear()
        self._held[key] = Held(reference, get_ident(), again)

    def put(self, item: Any) -> bool:
        """Note that an item was put; return whether the queue has shown that it holds things."""
        key = id(item)
        held = self._held.pop(key, None)
        if held is None or held.reference() is not item or held.taker != get_ident():
            return False
        self._returned += 1
        self._again += held.again
        if len(self._came_back) < MOST_HELD:  # they are in the queue, and so alive
            self._came_back.add(key)
        return self._holds_things()

    def _holds_things(self) -> bool:
        return self._again >= LEAST_AGAIN and self._returned >= SHARE_BACK * self._taken
