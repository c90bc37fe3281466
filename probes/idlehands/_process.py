"""The process's one registry of pools, and the outlet's life.

The outlet's thread starts when the first worker binds its thread, so a program that only
imports the probe, or forks before it starts its workers, has no thread of ours. A forked child
starts from nothing: its copies of the parent's pools are off and its descriptors closed.
"""

from __future__ import annotations

import atexit
import os
import threading
from typing import TYPE_CHECKING

from ._pool import PoolProbe, ProbeMisuse, Settings, off_pool
from ._tables import MOST_WORKERS

if TYPE_CHECKING:
    from ._outlet import Outlet

SWITCH = "IDLEHANDS"
STRICT_SWITCH = "IDLEHANDS_STRICT"
CLOSED_POOLS_KEPT = 2
"""So many closed pools stay readable, for a monitor that attaches just after the end."""


class _Process:
    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.pools: list[PoolProbe] = []
        self.declared = 0
        self.outlet: Outlet | None = None
        self.outlet_failed = False

    def present_pools(self) -> list[PoolProbe]:
        return self.pools[:]

    def declare(self, name: str, workers: int, kind: str) -> PoolProbe:
        with self.lock:
            if any(pool.name == name and pool.closed_ns < 0 for pool in self.pools):
                raise ProbeMisuse(f"a pool named {name!r} is already open in this process")
            pool = PoolProbe(name, workers, kind, self.declared)
            pool.on_bound = self.start_outlet
            pool.on_close = self.closed
            self.declared += 1
            self.pools.append(pool)
            return pool

    def closed(self, _pool: PoolProbe) -> None:
        with self.lock:
            closed = [pool for pool in self.pools if pool.closed_ns >= 0]
            for old in closed[:-CLOSED_POOLS_KEPT]:
                self.pools.remove(old)

    def start_outlet(self) -> None:
        with self.lock:
            if self.outlet is not None or self.outlet_failed:
                return
            # Imported here: sockets and msgpack cost a start-up that a host with no worker yet,
            # or with the probe off, need not pay.
            try:
                from ._outlet import Outlet

                self.outlet = Outlet(self.present_pools)
                self.outlet.thread.start()
            except Exception as error:
                self.outlet_failed = True
                _warn("nobody can attach to this process: %s", error)

    def stop(self) -> None:
        outlet, self.outlet = self.outlet, None
        if outlet is not None:
            outlet.stop()


_process = _Process()


def _warn(message: str, error: Exception) -> None:
    import logging  # only on failure: not worth a host's start-up time

    logging.getLogger("idlehands").warning(message, error)


def declare_pool(name: str, workers: int, kind: str = "work-stealing") -> PoolProbe:
    """Say that this process has a pool; return the probe to record it with.

    Args:
        name: what people will call it; shown by the monitor, unique among this process's
            open pools.
        workers: how many workers it has, 1 to 1024; they are numbered from 0.
        kind: how it shares work out, in a word or two; "work-stealing" pools get a steal matrix.

    Raises:
        ProbeMisuse: the name is empty or already in use, or the number of workers is out of
            range; with ``configure(strict=False)`` a probe that does nothing is returned.

    With ``IDLEHANDS=off`` in the environment the probe returned does nothing.
    """
    if os.environ.get(SWITCH, "").lower() in ("off", "0", "no"):
        return off_pool(name, workers if isinstance(workers, int) and workers > 0 else 1, kind)
    try:
        if not isinstance(name, str) or not name or len(name) > 200:
            raise ProbeMisuse(f"a pool's name is 1 to 200 characters, not {name!r}")
        if not isinstance(workers, int) or not 1 <= workers <= MOST_WORKERS:
            raise ProbeMisuse(f"a pool has 1 to {MOST_WORKERS} workers, not {workers!r}")
        return _process.declare(name, workers, kind)
    except ProbeMisuse as misuse:
        if Settings.strict:
            raise
        _warn("pool not probed: %s", misuse)
        return off_pool(str(name), 1 if not isinstance(workers, int) else max(1, workers), kind)


def _start_again_in_child() -> None:
    global _process
    parents, _process = _process, _Process()
    if parents.outlet is not None:
        parents.outlet.abandon()
    for pool in parents.pools:
        if not pool.off:
            pool.switch_off()


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_start_again_in_child)
if os.environ.get(STRICT_SWITCH, "").lower() in ("off", "0", "no"):
    Settings.strict = False


@atexit.register
def _stop() -> None:
    _process.stop()
