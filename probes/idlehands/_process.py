"""The process's one registry of pools, and the life of its publisher.

The publisher's thread starts when the first task is handed in or the first worker binds its thread.
So a program that only imports the probe, or forks before it uses its pools, has no thread of ours.
Everything that the thread needs is imported before there is a pool: a fork in the middle of an
import would leave the import's lock held in the child for ever. A forked child starts from nothing:
its copies of the parent's pools are switched off and its descriptors closed.

Python 3.12 and later warn of a fork in a process with other threads, so there the publisher's
thread ends before a fork. Where the program has threads of its own the publisher starts again at
once, for then the warning is the program's; otherwise it starts with the next task.
"""

from __future__ import annotations

import atexit
import contextlib
import os
import sys
import threading
from time import monotonic
from typing import TYPE_CHECKING, Callable, ClassVar

from ._notes import log_pending, shown, warn
from ._os_calls import surround
from ._pool import PoolProbe, off_pool
from ._pool_registry import PoolRegistry, Shared
from ._settings import ProbeMisuse, Settings
from ._tables import MOST_WORKERS

if TYPE_CHECKING:
    from ._publisher import Publisher

SWITCH = "IDLEHANDS"
STRICT_SWITCH = "IDLEHANDS_STRICT"
RETRY_SECONDS = 10.0
"""After a thread could not be started, the next try comes after so long."""
LAST_OF_ALL = -1000
"""Finalizers of a lower priority run later; those of the program's own are not below 0."""
FORKS_WARN_OF_THREADS = sys.version_info >= (3, 12)


class _Process:
    """The pools of this process and their publisher, None until it is needed."""

    make_publisher: ClassVar[type[Publisher] | None] = None
    """Set by `prepare`: importing even a loaded module calls the job's import function."""
    at_end: ClassVar[tuple[Callable[[], None], ...]] = ()

    def __init__(self) -> None:
        self.registry = PoolRegistry(self.start_publisher)
        self.publisher: Publisher | None = None
        self._is_resting = False
        self._has_ended = False
        self._failed_starts = 0
        self._start_from = 0.0

    def start_publisher(self) -> None:
        """Start the publisher's thread where there is none. Never raises and never waits."""
        publisher = self.publisher
        if (publisher is not None and publisher.is_running) or monotonic() < self._start_from:
            return
        if self._has_ended:
            return
        with self.registry.lock:
            try:
                if self.publisher is None:
                    if self.make_publisher is None:
                        prepare()
                    assert self.make_publisher is not None  # noqa: S101 - prepared
                    self.publisher = self.make_publisher(self.registry)
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
            self._is_resting = self.rest()

    def after_fork(self) -> None:
        if self.publisher is None:
            return
        self.publisher.has_children = True
        if not FORKS_WARN_OF_THREADS:
            if self._is_resting:
                self._is_resting = False
                self.go_on()
        elif threading.active_count() > 1:
            self.start_publisher()
        else:
            self._start_with_next_task()

    def step_aside(self) -> None:
        """Have no thread of ours in the process until its next task."""
        if self.publisher is not None:
            self.publisher.pause()
            self._start_with_next_task()

    def rest(self) -> bool:
        """Have our thread hold still; return whether `go_on` must be called after it."""
        return self.publisher is not None and self.publisher.rest()

    def go_on(self) -> None:
        """Let our thread work again."""
        if self.publisher is not None:
            self.publisher.go_on()

    def _start_with_next_task(self) -> None:
        for pool in self.registry.present_pools():
            pool.spawns.call_before_next(self.start_publisher)

    def stop(self) -> None:
        self._has_ended = True  # daemon threads may go on with tasks
        publisher, self.publisher = self.publisher, None
        if publisher is not None:
            publisher.stop()
        for action in self.at_end:
            action()
        with contextlib.suppress(Exception, SystemExit):  # raised by a handler of the job's
            log_pending()


_process = _Process()


def prepare() -> None:
    """Import all that recording and serving need, before there is anything to record."""
    import logging  # noqa: F401 - used by the publisher's thread

    from ._announced import stop_before_os_exit, wait_until_named
    from ._publisher import Publisher

    _Process.make_publisher = Publisher
    _Process.at_end = (wait_until_named,)
    stop_before_os_exit(_stop)
    _make_way()


_on_arrival: list[Callable[[], None]] = []


def on_arrival(action: Callable[[], None]) -> None:
    """Have `action` called whenever a queue of a pool's arrives in this process from its owner.

    So the queues need not import the adapters, which import them.
    """
    _on_arrival.append(action)


def queue_arrived() -> None:
    """Call the actions for a queue that has arrived; they raise what they raise."""
    for action in _on_arrival:
        action()


def is_off() -> bool:
    """Return whether the environment switches the probe off."""
    return os.environ.get(SWITCH, "").lower() in ("off", "0", "no")


def share_pool(
    name: str, sort: type[Shared], kind: str, make: Callable[[str, int], Shared]
) -> Shared:
    """Return the shared pool `name` of that sort and kind: a closed one opened again, or a new one.

    `make` makes a new pool from the name, with a number behind it where another pool of that name
    is open, and from the pool's number.
    """
    return _process.registry.share(name, sort, kind, make)


def declare_pool(
    name: str,
    workers: int,
    kind: str = "work-stealing",
    *,
    contention: bool = False,
    meetings: bool = False,
) -> PoolProbe:
    """Declare a pool of this process; return the probe to record it with.

    Args:
        name: what the monitor shows and people type; unique among this process's open pools.
        workers: how many workers it has, 1 to 1024; they are numbered from 0.
        kind: how its workers share work, in a word or two; "work-stealing" pools get a steal
            matrix.
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
        _check(name, workers)
        prepare()
        pool = _process.registry.declare(name, workers, kind)
        if contention or meetings:
            pool.report_contention()
        return pool
    except ProbeMisuse as misuse:
        if Settings.strict:
            raise
        warn("pool not probed: %s", misuse)
        return off_pool(str(name), 1 if not isinstance(workers, int) else max(1, workers), kind)


def _check(name: object, workers: object) -> None:
    """Raise ProbeMisuse for a bad name of a pool, or a bad number of workers."""
    if not isinstance(name, str) or not name or len(name) > 200:
        raise ProbeMisuse(f"a pool's name is 1 to 200 characters, not {shown(name)}")
    if not isinstance(workers, int) or not 1 <= workers <= MOST_WORKERS:
        raise ProbeMisuse(f"a pool has 1 to {MOST_WORKERS} workers, not {shown(workers)}")


def _before_fork() -> None:
    _process.before_fork()


def _after_fork() -> None:
    _process.after_fork()


def _start_again_in_child() -> None:
    global _process
    parents, _process = _process, _Process()
    if parents.publisher is not None:
        parents.publisher.abandon()
    for pool in parents.registry.pools:
        if not pool.off:
            pool.switch_off()


def _make_way() -> None:
    """Have the probe's thread make way for the calls of `os` that it could spoil.

    Only a process of one thread may enter a user namespace (unshare(2), setns(2)). A job that
    closes all descriptors opens its own files next; a thread that uses one would close those.
    """
    for name in ("unshare", "setns"):
        surround(name, _step_aside, _go_on)
    surround("closerange", _rest, _go_on)


# A forked child has another `_process`: so these look it up at each call.


def _step_aside() -> bool:
    _process.step_aside()
    return False


def _rest() -> bool:
    return _process.rest()


def _go_on() -> None:
    _process.go_on()


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
    """Make the publisher send the rest in a child of `multiprocessing` as well.

    Such a child ends by `os._exit` once its own finalizers have run (CPython,
    Lib/multiprocessing/process.py and util.py, 3.9 to 3.15); exit functions are not called.
    """
    util, process = map(sys.modules.get, ("multiprocessing.util", "multiprocessing.process"))
    if util is not None and process is not None and process.parent_process() is not None:
        util.Finalize(None, _stop, exitpriority=LAST_OF_ALL)
