"""What a process leaves behind if it is killed: its last state, written once a second to its page.

The publisher's thread reads what is there anyway: counts, and each worker's open interval. No hook
does anything for it, and no code of the job's is called: the length of the queue is a difference of
counts, and not what the job says of its deques. Touches: the page (`_state_page`), the clocks, the
pools.
"""

from __future__ import annotations

import contextlib
import errno
import os
import resource
import sys
import time
from time import monotonic
from typing import Any, Callable

from ._descriptors import content_of, start_ticks
from ._folder import FolderRefused
from ._notes import warn
from ._packed_rows import PackedRows, fitting
from ._pool import PoolProbe
from ._pool_frames import open_intervals, process_of
from ._reader import hello_frame
from ._state_page import BODY_BYTES, ENDED, RESTING, WORKER_STATES, WRITTEN, StatePage
from ._tables import NONE
from ._wire import Frame, encode

RETRY_SECONDS = 10.0
"""If no page could be made or written, the next try comes after so long."""
LOST = (errno.EBADF, errno.ENOENT, errno.ENOTDIR)
"""The errors of a page that the job has closed, or that somebody has removed."""
MOST_LOST = 3
"""A job that closes the probe's descriptors more often has a reason to."""
MOST_LISTED_WORKERS, MOST_LISTED_POOLS = 256, 64
"""The others are counted. Fewer are listed where their names would not fit into a copy."""
LONGEST_TEXT = 100
WORKING, WAITING, SEARCHING, PARKED, FETCHING, BETWEEN_TASKS, NOT_STARTED = range(
    len(WORKER_STATES)
)
IDLE = (SEARCHING, PARKED, FETCHING)
"""The states by those of an idle interval, see `_tables`."""
BOOT_ID = "/proc/sys/kernel/random/boot_id"
NAMESPACE = "/proc/self/ns/pid"


class LastState:
    """Keeps the page of a process. Only the publisher's thread calls its methods, except `end` and
    `abandon`, which are called when that thread has ended. None of them raises."""

    def __init__(self, pools: Callable[[], list[PoolProbe]]) -> None:
        self._pools = pools
        self._page: StatePage | None = None
        self._process: Frame = {}
        self._handed_in: dict[int, int] = {}
        self._mark = WRITTEN
        self._from = 0.0
        self._lost = 0
        self._is_refused = False

    def write(self, socket: str) -> None:
        """Write the present state. `socket`: the name of the process's socket, "" without one."""
        if self._page is None and monotonic() < self._from:
            return
        try:
            if self._page is None:
                self._process = self._process or process_facts()
                self._page, self._mark = StatePage(), WRITTEN
            self._page.write(self._body(socket))
            self._set_mark(WRITTEN)
        except Exception as error:
            # A page that is not written would claim that the process does not run.
            self._give_up(is_lost=getattr(error, "errno", None) in LOST)
            if monotonic() < self._from and not self._is_refused:
                self._is_refused = True
                if not isinstance(error, FolderRefused):  # of which the publisher warns
                    warn("the last state of this process is not kept: %s", error)

    def rest(self) -> None:
        """Say that the probe has no thread until the next task: the page is not written so long."""
        with contextlib.suppress(Exception):
            self._set_mark(RESTING)

    def end(self) -> None:
        """Remove the page: the process ends well."""
        if self._page is not None:
            with contextlib.suppress(Exception):  # where the folder cannot be reached any more
                self._set_mark(ENDED)
            self._page.remove()

    def abandon(self) -> None:
        """Close the descriptor and leave the file: a forked child has a copy of the descriptor."""
        page, self._page = self._page, None
        if page is not None:
            page.close()

    def _set_mark(self, mark: int) -> None:
        if self._page is not None and mark != self._mark:
            self._page.mark(mark)
            self._mark = mark

    def _give_up(self, *, is_lost: bool) -> None:
        """Leave the page; make another one at the next call if this one was only lost."""
        self._lost += is_lost
        is_soon = is_lost and self._lost <= MOST_LOST
        self._from = 0.0 if is_soon else monotonic() + RETRY_SECONDS
        if self._page is not None:
            self._page.remove()
        self.abandon()

    def _body(self, socket: str) -> bytes:
        """Return the state in the form of one frame, with as many workers as fit."""
        hello = hello_frame()
        frame = {
            **self._process,
            "frame": "state",
            "socket": socket,
            "at_ns": hello["now_ns"],
            "wall_ns": hello["wall_ns"],
            "peak_bytes": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024,
        }
        most = MOST_LISTED_WORKERS
        while True:
            frame["pools"], frame["pools_left_out"] = self._listed(most)
            body = encode(frame)
            if len(body) <= BODY_BYTES or not most:
                return body
            most //= 2

    def _listed(self, most_workers: int) -> tuple[list[Frame], int]:
        """Return what there is to say of the open pools, and how many of them are left out."""
        present = [pool for pool in self._pools() if pool.closed_ns < 0 and not pool.off]
        found, known, handed_in = list[Frame](), self._handed_in, dict[int, int]()
        for pool in present[: min(MOST_LISTED_POOLS, max(1, most_workers))]:
            with contextlib.suppress(Exception):  # a pool that reported nonsense is left out
                handed_in[pool.number] = tasks_handed_in(pool, known.get(pool.number, 0))
                found.append(pool_state(pool, handed_in[pool.number], most_workers))
                most_workers -= len(found[-1]["listed"])
        self._handed_in = handed_in
        return found, len(present) - len(found)


def process_facts() -> Frame:
    """Return who this process is, in the form of a page's keys; -1 and "" are for the unknown."""
    hello = hello_frame()
    ticks = start_ticks(os.getpid())
    age_s = -1.0
    with contextlib.suppress(OSError, AttributeError, ValueError):
        age_s = time.clock_gettime(time.CLOCK_BOOTTIME) - ticks / os.sysconf("SC_CLK_TCK")
    began = hello["wall_ns"] - int(age_s * 1e9) if ticks > 0 and age_s >= 0 else NONE
    boot, namespace = "", NONE
    with contextlib.suppress(OSError):
        boot = content_of(BOOT_ID).decode("ascii", "replace").strip()
    with contextlib.suppress(OSError):
        namespace = os.stat(NAMESPACE).st_ino
    return {
        "pid": hello["pid"],
        "argv0": hello["argv0"][-4 * LONGEST_TEXT :],
        "python": sys.version.split()[0],
        "ticks": ticks,
        "boot": boot,
        "namespace": namespace,
        "began_wall_ns": began,
    }


def tasks_handed_in(pool: PoolProbe, before: int) -> int:
    """Return how many tasks were ever handed to a pool, of which `before` are known of.

    The number of the next task is the writers' alone. So the newest task that was put is looked
    for, in steps that double and then halve.
    """
    total = pool.tasks_spawned()
    if total >= 0:
        return total
    holds = pool.spawns.holds
    low, step = before, 1
    while holds(low + step - 1):
        low, step = low + step, step * 2
    while step > 1:
        step //= 2
        if holds(low + step - 1):
            low += step
    return low


def pool_state(pool: PoolProbe, handed_in: int, most_workers: int) -> Frame:
    """Return one pool in the form of a page's keys, at most so many of its workers listed."""
    ran = open_tasks = present = 0
    listed: list[list[int]] = []
    kinds: dict[int, int] = {}
    for probe in pool.probes[:]:
        ran += probe.tasks_run
        if getattr(probe, "joined_ns", 0) < 0:
            continue  # it has left
        present += 1
        open_tasks += (probe.open_token is not None) + len(probe.stack)
        if len(listed) < most_workers:
            state, kind, since = worker_state(probe)
            place = kinds.setdefault(kind, len(kinds)) if kind >= 0 else NONE
            listed.append([probe.index, state, place, fitting(since), process_of(probe)])
    names = list(pool.kinds)
    return {
        "pool": pool.number,
        "name": pool.name[:LONGEST_TEXT],
        "pool_kind": pool.kind[:LONGEST_TEXT],
        "declared_ns": pool.declared_ns,
        "step": pool.step,
        "workers": present,
        "handed_in": handed_in,
        "ran": ran,
        "queued": max(0, handed_in - ran - open_tasks - pool.cancellations.written),
        "task_kinds": [names[kind][:LONGEST_TEXT] if kind < len(names) else "" for kind in kinds],
        "listed": listed,
    }


def worker_state(probe: Any) -> tuple[int, int, int]:
    """Return a worker's state, the number of its task's kind or -1, and when the state began in ns
    or -1."""
    intervals = open_intervals(probe)
    tasks = [interval for interval in intervals if interval[0] == 0]
    kind = tasks[-1][3] if tasks else NONE
    kind = kind if type(kind) is int else NONE
    last = intervals[-1] if intervals else [3, NONE]
    if last[0] == 0:
        return WORKING, kind, last[7]
    if last[0] == 1:
        return WAITING, kind, last[1]
    if last[0] == 2:
        return IDLE[last[2]], kind, last[1]
    ended = max(_last_end(probe), last[1])
    has_begun = ended >= 0 or probe.native_id >= 0
    return BETWEEN_TASKS if has_begun else NOT_STARTED, NONE, ended


def _last_end(probe: Any) -> int:
    """Return when a worker's last recorded task ended, -1 without any."""
    _, ring = probe.rings()[0]
    written = ring.written
    _, rows = ring.read(written - 1, 1) if written else (0, [])
    if not len(rows):
        return NONE
    return int(rows.column("ended_ns")[-1] if isinstance(rows, PackedRows) else rows[-1][2])
