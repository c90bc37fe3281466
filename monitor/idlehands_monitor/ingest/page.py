"""The bytes of a page with the last state of a process in, a checked frame out. Pure.

A page lies in a folder and may hold anything. Its layout is in docs/capture-format.md; each value
in it is held to the limits, as those of a stream are.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from idlehands.wire import NONE, WORKER_STATES, NewerVersion, newest_copy

from . import limits
from .checks import (
    COUNT,
    COUNT_OR_NONE,
    PROCESS,
    TIMESTAMP,
    WORKER,
    Refused,
    integer,
    listed,
    sequence,
    text,
)
from .decoding import LENGTH_BYTES, parsed
from .schema import CheckedFrame, Key, by_keys

if TYPE_CHECKING:
    from collections.abc import Mapping

WALL = integer(NONE, (1 << 63) - 1)
STATE = integer(0, len(WORKER_STATES) - 1)


def worker(value: Any) -> tuple[int, int, int, int, int]:
    """Return (worker, state, place of its kind, since when, process). Raises Refused."""
    row = sequence(value, 16)
    if len(row) < 5:
        raise Refused("too short")
    kind = COUNT_OR_NONE(row[2])
    return WORKER(row[0]), STATE(row[1]), kind, TIMESTAMP(row[3]), PROCESS(row[4])


def pool(value: Any) -> CheckedFrame:
    """Return one pool of a page. Raises Refused."""
    if type(value) is not dict:
        raise Refused("not a map")
    return by_keys(value, POOL)


POOL: Mapping[str, Key] = {
    "name": Key(text),
    "pool_kind": Key(text),
    "step": Key(integer(0, 100), 0),
    "workers": Key(COUNT),
    "handed_in": Key(COUNT),
    "ran": Key(COUNT),
    "queued": Key(COUNT),
    "task_kinds": Key(listed(text, limits.TASK_KINDS)),
    "listed": Key(listed(worker, limits.LISTED_WORKERS)),
}
PAGE: Mapping[str, Key] = {
    "pid": Key(integer(1, limits.PROCESS_ID)),
    "argv0": Key(text, ""),
    "python": Key(text, ""),
    "ticks": Key(integer(NONE, limits.NUMBER), NONE),
    "boot": Key(text, ""),
    "namespace": Key(COUNT_OR_NONE, NONE),
    "began_wall_ns": Key(WALL, NONE),
    "socket": Key(text, ""),
    "at_ns": Key(TIMESTAMP),
    "wall_ns": Key(integer(0, (1 << 63) - 1)),
    "peak_bytes": Key(COUNT, 0),
    "pools": Key(listed(pool, limits.POOLS)),
    "pools_left_out": Key(COUNT, 0),
}


def state_in(page: bytes) -> tuple[int, CheckedFrame] | None:
    """Return (mark, state) of a page; None where no copy is whole or a value is out of its
    limits."""
    newest = newest_copy(page)
    if newest is None:
        return None
    mark, _sequence, body = newest
    try:
        frame = parsed(memoryview(body)[LENGTH_BYTES:])
        if frame is None or frame["frame"] != "state":
            return None
        return mark, by_keys(frame, PAGE)
    except (Refused, NewerVersion):
        return None
