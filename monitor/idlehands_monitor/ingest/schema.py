"""The keys of each kind of frame, each with its type and its limits, in one table.

`checked` takes a frame of the wire, of which nothing is known but that it is a map with a kind. The
frame that it returns has exactly the keys of the table, each of its type and within its limits.
The meaning of the frames is in docs/capture-format.md.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple, NewType

from idlehands.wire import NONE, VERSION

from . import limits
from .checks import (
    COUNT,
    COUNT_OR_NONE,
    KERNEL_THREAD,
    POOL,
    PROCESS,
    THREAD,
    TIMESTAMP,
    WORKER,
    Check,
    Refused,
    cores,
    counters,
    dead_process,
    flag,
    integer,
    integers,
    listed,
    note,
    open_workers,
    pairs,
    raised,
    stack_frame,
    step,
    text,
    worker_thread,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from idlehands.wire import Frame

CheckedFrame = NewType("CheckedFrame", dict[str, Any])
"""A frame that has passed its checks; the columns of rows are arrays in it."""


class Key(NamedTuple):
    """One key of a frame. default: used where the key is missing; None: the key is required."""

    check: Check
    default: Any = None


def thread_sample(value: Any) -> CheckedFrame:
    """Return one thread of a ``stacks`` frame. Raises Refused."""
    if type(value) is not dict:
        raise Refused("not a map")
    return by_keys(value, STACK_THREAD)


STACK_THREAD: Mapping[str, Key] = {
    "native_id": Key(THREAD),
    "ident": Key(THREAD),
    "name": Key(text),
    "owns_lock": Key(flag, False),
    "wait": Key(text, ""),
    "frames": Key(listed(stack_frame, limits.STACK_FRAMES)),
}

FRAMES: Mapping[str, Mapping[str, Key]] = {
    "hello": {
        "version": Key(integer(1, VERSION)),
        "pid": Key(PROCESS, NONE),
        "argv0": Key(text, ""),
        "python": Key(text, ""),
        "sampled": Key(flag, False),
        "now_ns": Key(TIMESTAMP, NONE),
        "wall_ns": Key(integer(NONE, limits.WALL_NS), NONE),
    },
    "names": {
        "pool": Key(POOL),
        "name": Key(text),
        "pool_kind": Key(text),
        "workers": Key(integer(0, limits.NUMBER)),
        "most_workers": Key(COUNT_OR_NONE, NONE),
        "declared_ns": Key(TIMESTAMP),
        "closed_ns": Key(TIMESTAMP),
        "shared_queue": Key(flag, False),
        "tells_meetings": Key(flag, False),
        "broken": Key(text, ""),
        "first_dead": Key(listed(dead_process, limits.LISTED_WORKERS), []),
        "sampled_by": Key(text, ""),
        "steps": Key(listed(step, limits.STEPS), []),
        "task_kinds": Key(listed(text, limits.TASK_KINDS)),
        "threads": Key(listed(worker_thread, limits.LISTED_WORKERS)),
    },
    "levels": {
        "pool": Key(POOL),
        "at_ns": Key(TIMESTAMP),
        "inbox": Key(COUNT_OR_NONE),
        "deques": Key(integers(NONE, limits.NUMBER, limits.LISTED_WORKERS)),
        "workers": Key(open_workers),
        "misuses": Key(COUNT),
        "ran": Key(integers(0, limits.NUMBER, limits.LISTED_WORKERS), []),
        "spawned": Key(COUNT_OR_NONE, NONE),
        "raised": Key(listed(raised, limits.RAISED), []),
    },
    "cost": {
        "at_ns": Key(TIMESTAMP),
        "recording_ns": Key(integer(0, limits.DURATION_NS)),
        "sending_ns": Key(integer(0, limits.DURATION_NS)),
    },
    "lost": {
        "pool": Key(POOL),
        "table": Key(text),
        "worker": Key(WORKER),
        "rows": Key(COUNT),
    },
    "withdrawn": {"pool": Key(POOL)},
    "bye": {"reason": Key(text, "")},
    "from": {"pid": Key(PROCESS)},
    "host": {
        "at_ns": Key(TIMESTAMP),
        "threads": Key(pairs(KERNEL_THREAD, counters(2), limits.THREADS)),
        "moments": Key(pairs(KERNEL_THREAD, TIMESTAMP, limits.THREADS), {}),
        "waits": Key(pairs(KERNEL_THREAD, text, limits.THREADS), {}),
        "gone": Key(integers(0, limits.PROCESS_ID, limits.THREADS), []),
        "beside": Key(integers(0, limits.PROCESS_ID, limits.THREADS), []),
        "switches": Key(pairs(KERNEL_THREAD, counters(3), limits.THREADS), {}),
    },
    "process": {
        "at_ns": Key(TIMESTAMP),
        "pid": Key(PROCESS),
        **{
            name: Key(integer(NONE, limits.TIMESTAMP_NS), NONE)
            for name in (
                *("resident_bytes", "minor_faults", "major_faults", "voluntary_switches"),
                *("nonvoluntary_switches", "io_wait_ns", "affinity", "periods"),
                *("throttled_periods", "throttled_ns", "memory_left_bytes"),
            )
        },
        "started_ns": Key(integer(-limits.TIMESTAMP_NS, limits.TIMESTAMP_NS), NONE),
        "usable_cores": Key(cores, float(NONE)),
        "quota_cores": Key(cores, float(NONE)),
    },
    "window": {"begin_ns": Key(TIMESTAMP), "length_ns": Key(integer(0, limits.DURATION_NS))},
    "mark": {"at_ns": Key(TIMESTAMP), "note": Key(note)},
    "stacks": {
        "at_ns": Key(integer(0, limits.TIMESTAMP_NS)),
        "pid": Key(PROCESS),
        "parent": Key(PROCESS, NONE),
        "missing": Key(text, ""),
        "threads": Key(listed(thread_sample, limits.THREADS)),
    },
}


def checked(frame: Frame, kind: str) -> CheckedFrame:
    """Return a frame of a kind in `FRAMES` in the form for the ledger. Raises Refused."""
    found = by_keys(frame, FRAMES[kind])
    found["frame"] = kind
    return found


def by_keys(frame: Mapping[str, Any], keys: Mapping[str, Key]) -> CheckedFrame:
    """Return the keys of a table, each of its type and within its limits. Raises Refused."""
    found: dict[str, Any] = {}
    for name, (check, default) in keys.items():
        if name in frame:
            try:
                found[name] = check(frame[name])
            except Refused as error:
                raise Refused(f"{name}: {error}") from None
        elif default is None:
            raise Refused(f"no {name}")
        else:
            found[name] = default
    return CheckedFrame(found)
