"""The tokens of queued items, by the identity of the item, which is alive while it is queued.

Items can leave a queue in other ways than `get`. So the tokens are compared with the queue whenever
their number has doubled. All functions are called under the queue's own lock.
"""

from __future__ import annotations

from collections import Counter, deque
from threading import get_ident
from time import monotonic_ns
from types import BuiltinFunctionType
from typing import Any, Callable

from .._job_objects import attributes_of, is_any
from .._packed_rows import SPAWN_BYTES, pack_spawn
from .._rings import Token
from .._shared import SharedPool
from .._shared_worker import SKIPPED
from .._tables import NONE
from ._calls import in_item, named_for
from ._guard import failed

FEWEST_TO_COMPARE = 64


class Waiting(dict):  # type: ignore[type-arg]
    """The tokens of the queued items, by identity; an item that is queued again has several.

    Attributes: counted (the queued items that are only counted), again (the tokens that are not the
    first of their item), most (with more tokens than this they are compared with the queue).
    """

    __slots__ = ("again", "counted", "most")

    def __init__(self) -> None:
        super().__init__()
        self.again = self.counted = 0
        self.most = FEWEST_TO_COMPARE

    def keep(self, pool: SharedPool, queue: Any, item: Any, token: Token) -> None:
        """Keep the token of an item that is queued again, and drop those of items that are gone."""
        there = self[id(item)]
        if there is not token:
            if type(there) is not deque:
                there = self[id(item)] = deque([there])
            there.append(token)
            self.again += 1
        if len(self) + self.again > self.most:
            self._compare(pool, Counter(map(id, held_by(queue))))

    def _compare(self, pool: SharedPool, held: Counter[int]) -> None:
        for key, tokens in list(self.items()):
            several = tokens if type(tokens) is deque else deque([tokens])
            while len(several) > held[key]:
                pool.cancelled(several.popleft())
            if not several:
                del self[key]
        left = sum(len(tokens) for tokens in self.values() if type(tokens) is deque)
        self.again = left - sum(type(tokens) is deque for tokens in self.values())
        self.most = FEWEST_TO_COMPARE + 2 * (len(self) + self.again)

    def take(self, pool: SharedPool, item: Any, several: Any) -> Token:
        """Return the token of a taken item that had several or none."""
        if several is not None:
            token: Token = several.popleft()
            if several:
                self[id(item)] = several
                self.again -= 1
            return token
        if self.counted:
            self.counted -= 1
            return SKIPPED
        # Queued before the pool was known, and by an unknown thread: not by the one that takes it.
        return pool.queued(pool.kind_of(named_for(item)), by_somebody=True)


def recording(pool: SharedPool, waiting: Waiting) -> Callable[[Any, Any], None]:
    """Return the hot path where an item is queued."""
    spawns, kind_known, clock, ident = pool.spawns, pool.known.get, monotonic_ns, get_ident
    slots, mask, first_of = spawns.slots, spawns.mask, waiting.setdefault

    def put(queue: Any, item: Any) -> None:
        try:
            function = item if callable(item) else in_item(item)
            kind = kind_known(id(function))
            if kind is None:
                if type(function) is BuiltinFunctionType:
                    function = named_for(item)
                kind = pool.kind_of(function)
            task = spawns.next_number()
            packed = spawns.packed
            now = clock()
            token = task, NONE, kind, now, ident(), NONE
            if packed is None:
                slots[task & mask] = token
            else:
                pack_spawn(packed, (task & mask) * SPAWN_BYTES, task | mask, now)
            if first_of(id(item), token) is not token or len(waiting) > waiting.most:
                waiting.keep(pool, queue, item, token)
        except Exception as error:
            failed(pool, error)

    return put


def counting(pool: SharedPool, waiting: Waiting) -> Callable[[Any, Any], None]:
    """Return the same for a pool that gives up detail: most items are only counted."""
    spawns = pool.spawns

    def put(queue: Any, item: Any) -> None:
        try:
            task = pool.last_number = spawns.next_number()
            if task & pool.every:
                waiting.counted += 1
                return
            token = pool.token(task, pool.kind_of(named_for(item)))
            if waiting.setdefault(id(item), token) is not token or len(waiting) > waiting.most:
                waiting.keep(pool, queue, item, token)
        except Exception as error:
            failed(pool, error)

    return put


def held_by(queue: Any) -> list[Any]:
    """Return what a queue holds, in any order; nothing for a queue that stores in its own way."""
    held: Any = attributes_of(queue).get("queue")
    return list(held) if is_any(type(held), (deque, list)) else []
