"""Rows of what can change: the last description of a process, of a pool, of its workers. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from idlehands.wire import NONE

if TYPE_CHECKING:
    from .pool_names import KnownPool, KnownProcess

WRAPS_AT = 1 << 63
"""Identifiers of threads are unsigned; from here on they are exported less 2**64."""


def signed(value: int) -> int:
    """Return an unsigned 64-bit identifier as a signed 64-bit integer."""
    return value - 2 * WRAPS_AT if value >= WRAPS_AT else value


def process_row(process: KnownProcess) -> tuple[Any, ...]:
    """Return the row of a process in the table ``processes``."""
    hello, cost = process.hello, process.cost
    return (
        process.number,
        process.pid,
        hello.get("argv0", ""),
        hello.get("python", ""),
        hello.get("version", NONE),
        int(hello.get("sampled", False)),
        hello.get("now_ns", NONE),
        hello.get("wall_ns", NONE),
        process.ended,
        cost.get("recording_ns", NONE),
        cost.get("sending_ns", NONE),
    )


def pool_row(pool: KnownPool) -> tuple[Any, ...]:
    """Return the row of a pool in the table ``pools``."""
    names = pool.names
    return (
        pool.number,
        pool.process.number,
        pool.declared_as,
        pool.name,
        names.get("pool_kind", ""),
        names.get("workers", NONE),
        names.get("most_workers", NONE),
        names.get("declared_ns", NONE),
        names.get("closed_ns", NONE),
        int(names.get("shared_queue", False)),
        int(names.get("tells_meetings", False)),
        names.get("sampled_by", ""),
        names.get("broken", ""),
        int(pool.withdrawn),
    )


def worker_rows(pool: KnownPool) -> list[tuple[Any, ...]]:
    """Return the rows of a pool's workers in the table ``workers``."""
    return [
        (pool.number, worker, pid, signed(native_id), signed(ident), name)
        for worker, (native_id, ident, name, pid) in sorted(pool.threads.items())
    ]
