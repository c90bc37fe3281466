"""The process's one registry of pools, and the outlet's life.

The outlet's thread starts when the first worker binds its thread, so a program that only
imports the probe, or forks before it starts its workers, has no thread of ours. A forked child
starts from nothing: its copies of the parent's pools are off and its descriptors closed.

Python 3.12 and later warn of a fork with other threads about, so the outlet's thread ends before
a fork. Where the program has threads of its own it goes on at once, for then the warning is the
program's; otherwise with the next task, so that the next fork finds no thread either.
"""

from __future__ import annotations

import atexit
import os
import sys
import threading
from time import monotonic_ns
from typing import TYPE_CHECKING, Callable, TypeVar

from ._notes import warn
from ._pool import PoolProbe, ProbeMisuse, Settings, off_pool
from ._tables import MOST_WORKERS

if TYPE_CHECKING:
    from ._outlet import Outlet
    from ._shared import SharedPool

Shared = TypeVar("Shared", bound="SharedPool")

SWITCH = "IDLEHANDS"
STRICT_SWITCH = "IDLEHANDS_STRICT"
CLOSED_POOLS_KEPT = 2
"""So many closed pools stay readable, for a monitor that attaches just after the end."""
CLOSED_POOLS_KEPT_NS = 2_000_000_000
"""All stay readable this long: until a monitor that is attached has read them to their end."""
LAST_OF_ALL = -1000
"""Finalizers of a lower priority run later; those of the program's own are not below 0."""
FORKS_WARN_OF_THREADS = sys.version_info >= (3, 12)


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
            self._add(pool)
            return pool

    def share(
        self, name: str, sort: type[Shared], kind: str, make: Callable[[str, int], Shared]
    ) -> Shared:
        """Return the pool that was closed under `name` and opens again, or a new one."""
        with self.lock:
            base, attempt = name, 1
            while True:
                known = next((pool for pool in self.pools if pool.name == name), None)
                if known is None:
                    break
                known.refresh(at_once=True)
                alike = type(known) is sort and known.kind == kind
                if alike and known.closed_ns >= 0 and known.open_again():
                    return known  # type: ignore[return-value]
                attempt += 1
                name = f"{base} ({attempt})"
            pool = make(name, self.declared)
            self._add(pool)
            return pool

    def _add(self, pool: PoolProbe) -> None:
        pool.on_bound = self.start_outlet
        pool.on_close = self.closed
        self.declared += 1
        self.pools.append(pool)
        self._forget_closed()

    def closed(self, _pool: PoolProbe) -> None:
        # Without the lock: a pool can be found closed while another is being added.
        self._forget_closed()

    def _forget_closed(self) -> None:
        closed = [pool for pool in self.pools[:] if pool.closed_ns >= 0]
        for old in closed[:-CLOSED_POOLS_KEPT]:
            if old.closed_ns < monotonic_ns() - CLOSED_POOLS_KEPT_NS and old in self.pools:
                self.pools.remove(old)

    def start_outlet(self) -> None:
        with self.lock:
            if self.outlet is not None:
                self.outlet.start()
            if self.outlet is not None or self.outlet_failed:
                return
            # Imported here: sockets and msgpack cost a start-up that a host with no worker yet,
            # or with the probe off, need not pay.
            try:
                from ._outlet import Outlet

                self.outlet = Outlet(self.present_pools)
                self.outlet.start()
                _stop_where_multiprocessing_ends_us()
            except Exception as error:
                self.outlet_failed = True
                warn("nobody can attach to this process: %s", error)

    def before_fork(self) -> None:
        if FORKS_WARN_OF_THREADS and self.outlet is not None:
            self.outlet.pause()

    def after_fork(self) -> None:
        if not FORKS_WARN_OF_THREADS or self.outlet is None:
            return
        if threading.active_count() > 1:
            self.start_outlet()
            return
        for pool in self.pools:
            self._start_with_next_task(pool)

    def _start_with_next_task(self, pool: PoolProbe) -> None:
        ring = pool.spawns
        number = ring.next_number

        def start() -> int:
            ring.next_number = number
            self.start_outlet()
            return number()

        ring.next_number = start

    def stop(self) -> None:
        outlet, self.outlet = self.outlet, None
        if outlet is not None:
            outlet.stop()


_process = _Process()


def is_off() -> bool:
    """Say whether the environment switches the probe off."""
    return os.environ.get(SWITCH, "").lower() in ("off", "0", "no")


def share_pool(
    name: str, sort: type[Shared], kind: str, make: Callable[[str, int], Shared]
) -> Shared:
    """Return the shared pool `name` of that sort and kind: opened again if it is closed, else what
    `make` makes.

    `make` takes the name, with a number behind it where another pool is open under it, and the
    pool's number.
    """
    return _process.share(name, sort, kind, make)


def declare_pool(
    name: str, workers: int, kind: str = "work-stealing", *, meetings: bool = False
) -> PoolProbe:
    """Say that this process has a pool; return the probe to record it with.

    Args:
        name: what people will call it; shown by the monitor, unique among this process's
            open pools.
        workers: how many workers it has, 1 to 1024; they are numbered from 0.
        kind: how it shares work out, in a word or two; "work-stealing" pools get a steal matrix.
        meetings: the pool tells of every meeting at the ends of its deques, with `met` and the
            length given to `lost_race`; so where it tells of none there was none.

    Raises:
        ProbeMisuse: the name is empty or already in use, or the number of workers is out of
            range; with ``configure(strict=False)`` a probe that does nothing is returned.

    With ``IDLEHANDS=off`` in the environment the probe returned does nothing.
    """
    if is_off():
        return off_pool(name, workers if isinstance(workers, int) and workers > 0 else 1, kind)
    try:
        if not isinstance(name, str) or not name or len(name) > 200:
            raise ProbeMisuse(f"a pool's name is 1 to 200 characters, not {name!r}")
        if not isinstance(workers, int) or not 1 <= workers <= MOST_WORKERS:
            raise ProbeMisuse(f"a pool has 1 to {MOST_WORKERS} workers, not {workers!r}")
        pool = _process.declare(name, workers, kind)
        if meetings:
            pool.tell_meetings()
        return pool
    except ProbeMisuse as misuse:
        if Settings.strict:
            raise
        warn("pool not probed: %s", misuse)
        return off_pool(str(name), 1 if not isinstance(workers, int) else max(1, workers), kind)


def _before_fork() -> None:
    _process.before_fork()


def _after_fork() -> None:
    _process.after_fork()


def _start_again_in_child() -> None:
    global _process
    parents, _process = _process, _Process()
    if parents.outlet is not None:
        parents.outlet.abandon()
    for pool in parents.pools:
        if not pool.off:
            pool.switch_off()


if hasattr(os, "register_at_fork"):
    os.register_at_fork(
        before=_before_fork,
        after_in_parent=_after_fork,
        after_in_child=_start_again_in_child,
    )
if os.environ.get(STRICT_SWITCH, "").lower() in ("off", "0", "no"):
    Settings.strict = False


@atexit.register
def _stop() -> None:
    _process.stop()


def _stop_where_multiprocessing_ends_us() -> None:
    """Have the outlet say its last words in a child of `multiprocessing` as well.

    Such a child ends by `os._exit` once its own finalizers have run (CPython,
    Lib/multiprocessing/process.py and util.py, 3.9 to 3.13); exit functions are not called.
    """
    util, process = map(sys.modules.get, ("multiprocessing.util", "multiprocessing.process"))
    if util is not None and process is not None and process.parent_process() is not None:
        util.Finalize(None, _stop, exitpriority=LAST_OF_ALL)
