"""The process's one registry of pools, and the outlet's life.

The outlet's thread starts when the first task is handed in or the first worker binds its thread,
so a program that only imports the probe, or forks before it uses its pools, has no thread of ours.
All that the thread needs is imported before there is a pool: a fork that caught an import half
done would leave its lock held in the child for ever. A forked child starts from nothing: its
copies of the parent's pools are off and its descriptors closed.

Python 3.12 and later warn of a fork with other threads about, so there the outlet's thread ends
before a fork. Where the program has threads of its own it goes on at once, for then the warning is
the program's; otherwise with the next task, so that the next fork finds no thread either.
"""

from __future__ import annotations

import atexit
import contextlib
import functools
import os
import sys
import threading
from time import monotonic, monotonic_ns
from typing import TYPE_CHECKING, Callable, ClassVar, TypeVar

from ._notes import log_pending, shown, warn
from ._pool import PoolProbe, ProbeMisuse, Settings, off_pool
from ._rings import Room
from ._tables import MOST_WORKERS

if TYPE_CHECKING:
    from ._publisher import Publisher
    from ._shared import SharedPool

Shared = TypeVar("Shared", bound="SharedPool")

SWITCH = "IDLEHANDS"
STRICT_SWITCH = "IDLEHANDS_STRICT"
CLOSED_POOLS_KEPT = 2
"""So many closed pools stay readable whatever they weigh, for who attaches just after the end."""
CLOSED_BYTES_KEPT, MOST_CLOSED_KEPT = 8 << 20, 64
"""Further ones stay while they are no more and weigh no more than this together, newest first."""
UNREAD_BYTES_KEPT, MOST_UNREAD_KEPT = 24 << 20, 256
"""The same while somebody is attached: pools are read to their end, unless too much waits."""
COMPACT_AFTER_NS = 100_000_000
"""By then whoever still wrote a row while its pool closed has done so."""
SWEEP_AFTER, SWEEP_UNREAD_AFTER = 8, 32
"""With so many pools more than were left the last time, a new one has the closed ones let go; with
the second while somebody is attached, who reads them meanwhile."""
RETRY_SECONDS = 10.0
"""After a thread could not be started none is tried for so long."""
LAST_OF_ALL = -1000
"""Finalizers of a lower priority run later; those of the program's own are not below 0."""
FORKS_WARN_OF_THREADS = sys.version_info >= (3, 12)


class _Process:
    make_publisher: ClassVar[type[Publisher] | None] = None
    """Set where all is imported: even to import what is loaded already asks the job's import."""

    def __init__(self) -> None:
        # Can be taken again by a thread that has it: a signal handler may hand in a task anywhere.
        self.lock = threading.RLock()
        self.pools: list[PoolProbe] = []
        self.declared = 0
        self.dropped = 0
        self.publisher: Publisher | None = None
        self._is_resting = False
        self._has_ended = False
        self._failed_starts = 0
        self._start_from = 0.0
        self._has_readers = False
        self._sweep_at = SWEEP_AFTER

    def present_pools(self) -> list[PoolProbe]:
        return self.pools[:]

    def declare(self, name: str, workers: int, kind: str) -> PoolProbe:
        with self.lock:
            if any(pool.name == name and pool.closed_ns < 0 for pool in self.pools):
                raise ProbeMisuse(f"a pool named {name!r} is already open in this process")
            Room.share_among(len(self.pools))
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
            Room.share_among(len(self.pools))
            pool = make(name, self.declared)
            self._add(pool)
            return pool

    def _add(self, pool: PoolProbe) -> None:
        pool.on_bound = self.start_publisher
        self.declared += 1
        self.pools.append(pool)
        if len(self.pools) >= self._sweep_at:
            self._refresh()
            self._let_go()
            least = SWEEP_UNREAD_AFTER if self._has_readers else SWEEP_AFTER
            self._sweep_at = len(self.pools) + max(least, len(self.pools) // 8)

    def tidy(self, has_readers: bool, *, at_once: bool = True) -> None:
        """See which pools have closed; what is kept of them takes no more room than it must.

        Only the outlet's thread calls this: it alone reads the rings that are made smaller here.
        """
        self._has_readers = has_readers
        if at_once:
            self._refresh()
        if not self.lock.acquire(blocking=False):
            return  # a pool is being added: the next look will do
        try:
            for pool in [pool for pool in self.pools if pool.unwanted]:
                self.pools.remove(pool)
                pool.forget()
            for pool in self.pools:
                if 0 <= pool.closed_ns < monotonic_ns() - COMPACT_AFTER_NS and not pool.is_compact:
                    try:
                        pool.compact()
                    except Exception as error:
                        pool.failed(error)
            self._let_go()
        finally:
            self.lock.release()

    def _refresh(self) -> None:
        for pool in self.pools[:]:
            try:
                pool.refresh()
            except Exception as error:
                pool.failed(error)

    def _let_go(self) -> None:
        """Forget closed pools past the bounds, those first that closed first."""
        closed = sorted(
            (pool for pool in self.pools if pool.closed_ns >= 0),
            key=lambda pool: pool.closed_ns,
            reverse=True,
        )
        room = {True: CLOSED_BYTES_KEPT, False: UNREAD_BYTES_KEPT}
        places = {True: MOST_CLOSED_KEPT, False: MOST_UNREAD_KEPT}
        for position, pool in enumerate(closed):
            is_read = pool.is_read or not self._has_readers
            room[is_read] -= _weight(pool)
            places[is_read] -= 1
            is_past = room[is_read] < 0 or places[is_read] < 0
            if is_past and position >= CLOSED_POOLS_KEPT:
                self.pools.remove(pool)
                self.dropped += not is_read
                pool.forget()

    def start_publisher(self) -> None:
        """Start the outlet's thread where there is none. Never raises, and waits for nobody."""
        publisher = self.publisher
        if (publisher is not None and publisher.is_running) or monotonic() < self._start_from:
            return
        if self._has_ended:
            return
        with self.lock:
            try:
                if self.publisher is None:
                    if self.make_publisher is None:
                        prepare()
                    assert self.make_publisher is not None  # noqa: S101 - prepared
                    self.publisher = self.make_publisher(self)
                    _stop_where_multiprocessing_ends_us()
                self.publisher.start()
            except (OSError, RuntimeError) as error:
                # No descriptor, or no thread: the process has as many as it may, or ends.
                self._start_from = monotonic() + RETRY_SECONDS
                self._failed_starts += 1
                self._has_ended = "shutdown" in str(error)
                if self._failed_starts == 1 and not self._has_ended:
                    warn("nobody can attach to this process: %s", error)

    def before_fork(self) -> None:
        if self.publisher is None:
            return
        if FORKS_WARN_OF_THREADS:
            self.publisher.pause()
        else:
            self._is_resting = self.publisher.rest()

    def after_fork(self) -> None:
        if self.publisher is None:
            return
        self.publisher.has_children = True
        if not FORKS_WARN_OF_THREADS:
            if self._is_resting:
                self._is_resting = False
                self.publisher.go_on()
        elif threading.active_count() > 1:
            self.start_publisher()
        else:
            self._start_with_next_task()

    def step_aside(self) -> None:
        """Leave the process without a thread of ours until its next task."""
        if self.publisher is not None:
            self.publisher.pause()
            self._start_with_next_task()

    def _start_with_next_task(self) -> None:
        for pool in self.pools[:]:
            pool.spawns.call_before_next(self.start_publisher)

    def stop(self) -> None:
        self._has_ended = True  # daemon threads may go on with tasks
        publisher, self.publisher = self.publisher, None
        if publisher is not None:
            publisher.stop()
        with contextlib.suppress(Exception, SystemExit):  # of a handler of the job's
            log_pending()


def _weight(pool: PoolProbe) -> int:
    try:
        return pool.memory_bytes()
    except Exception as error:
        pool.failed(error)
        return CLOSED_BYTES_KEPT


_process = _Process()


def prepare() -> None:
    """Import all that recording and serving need, before there is anything to record."""
    import logging  # noqa: F401 - said with by the outlet's thread

    from ._publisher import Publisher

    _Process.make_publisher = Publisher


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
    name: str,
    workers: int,
    kind: str = "work-stealing",
    *,
    contention: bool = False,
    meetings: bool = False,
) -> PoolProbe:
    """Say that this process has a pool; return the probe to record it with.

    Args:
        name: what people will call it; shown by the monitor, unique among this process's
            open pools.
        workers: how many workers it has, 1 to 1024; they are numbered from 0.
        kind: how it shares work out, in a word or two; "work-stealing" pools get a steal matrix.
        contention: the pool reports every contended operation at the ends of its deques, with
            `contended` and with the length given to `lost_race`; none reported then means that
            there was none.
        meetings: the older name of `contention`.

    Raises:
        ProbeMisuse: the name is empty or already in use, or the number of workers is out of
            range; with ``configure(strict=False)`` a probe that does nothing is returned.

    With ``IDLEHANDS=off`` in the environment the probe returned does nothing.
    """
    if is_off():
        return off_pool(name, workers if isinstance(workers, int) and workers > 0 else 1, kind)
    try:
        if not isinstance(name, str) or not name or len(name) > 200:
            raise ProbeMisuse(f"a pool's name is 1 to 200 characters, not {shown(name)}")
        if not isinstance(workers, int) or not 1 <= workers <= MOST_WORKERS:
            raise ProbeMisuse(f"a pool has 1 to {MOST_WORKERS} workers, not {shown(workers)}")
        prepare()
        pool = _process.declare(name, workers, kind)
        if contention or meetings:
            pool.report_contention()
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
    if parents.publisher is not None:
        parents.publisher.abandon()
    for pool in parents.pools:
        if not pool.off:
            pool.switch_off()


def step_aside_for_namespaces() -> None:
    """Have no thread of ours in the way where Python's own calls want a process of one thread.

    Only such a process may enter a user namespace (unshare(2), setns(2)).
    """
    for name in ("unshare", "setns"):
        call = getattr(os, name, None)
        if call is not None and not hasattr(call, "__wrapped__"):
            setattr(os, name, _alone(call))


def _alone(call: Callable[..., None]) -> Callable[..., None]:
    @functools.wraps(call)
    def alone(*arguments: object, **named: object) -> None:
        _process.step_aside()
        call(*arguments, **named)

    return alone


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
    Lib/multiprocessing/process.py and util.py, 3.9 to 3.15); exit functions are not called.
    """
    util, process = map(sys.modules.get, ("multiprocessing.util", "multiprocessing.process"))
    if util is not None and process is not None and process.parent_process() is not None:
        util.Finalize(None, _stop, exitpriority=LAST_OF_ALL)
