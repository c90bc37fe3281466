"""Which processes of a job have workers that wait inside tasks, or for a thread that feeds them.

Pure. It goes by the last seconds.

What a worker's thread waits for comes from the kernel (``host`` frames). A parked worker waits,
too; so a sample counts only if its worker was in a task at that moment. The tasks that have ended
since have rows, and the others are open in the next ``levels`` frame.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple, TypeAlias

import numpy as np

from idlehands.wire import TASKS

from ...model.findings import LEAST_SHARE
from ...model.vocabulary import RUNNING

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping

    from .. import CheckedFrame

RECENT_NS = 10_000_000_000
"""A share of waiting workers is over so long."""
LEAST_IDLE = 0.25
"""A share of workers without a task, while a thread that is no worker runs: it may feed them. Lower
than for other waits it would be true of most jobs, whose main thread hands in (chosen)."""
LEAST_SAMPLES = 4
"""With fewer samples of a pool, one a quarter of a second, nothing is said."""
MOST_PENDING = 8
"""Samples of a pool that wait for its levels."""
STARTED, ENDED = TASKS.names.index("started_ns"), TASKS.names.index("ended_ns")
OPEN_TASK, OPEN_STARTED = 0, 7
"""An open interval that is a task, and the place of its begin."""


Threads: TypeAlias = "Collection[tuple[int, int]]"
"""Threads, each (process, kernel thread id)."""


class _Thread(NamedTuple):
    """One worker's thread in a sample. wait: what it waited for, None where that is not known."""

    pid: int
    at_ns: int
    wait: str | None


@dataclass(slots=True)
class _Sample:
    """The threads of a pool's workers, and those in a task as far as is known by now.

    beside: whether a thread ran that is no worker.
    """

    threads: dict[int, _Thread]
    beside: bool
    in_task: set[int] = field(default_factory=set)

    @property
    def first_ns(self) -> int:
        return min(thread.at_ns for thread in self.threads.values())

    @property
    def last_ns(self) -> int:
        return max(thread.at_ns for thread in self.threads.values())

    def note_task(self, worker: int, started_ns: int, ended_ns: int | None = None) -> None:
        """Note a task of a worker; one without an end is open."""
        thread = self.threads.get(worker)
        if thread is None or started_ns > thread.at_ns:
            return
        if ended_ns is None or ended_ns > thread.at_ns:
            self.in_task.add(worker)


class _Counted(NamedTuple):
    """A sample, counted: its workers, and the processes of those that were in a task.

    waiting: off the core; unknown: it may not be read what they waited for. fed: how many had no
    task while a thread ran that is no worker.
    """

    at_ns: int
    workers: int
    fed: int
    waiting: tuple[int, ...]
    unknown: tuple[int, ...]


class _Pool:
    """The samples of one pool."""

    def __init__(self) -> None:
        self.threads: dict[int, tuple[int, int]] = {}  # worker: (process, kernel thread id)
        self.pending: deque[_Sample] = deque(maxlen=MOST_PENDING)
        self.counted: deque[_Counted] = deque()

    def sampled(self, host: CheckedFrame) -> None:
        """Take a ``host`` frame."""
        waits, moments = host["waits"], host["moments"]
        found = {
            worker: _Thread(pid, moments.get(native, host["at_ns"]), waits.get(native))
            for worker, (pid, native) in self.threads.items()
            if native in host["threads"]
        }
        if found:
            beside = any(waits.get(native) == RUNNING for native in host["beside"])
            self.pending.append(_Sample(found, beside))

    def ended(self, rows: CheckedFrame) -> None:
        """Take a ``rows`` frame of the table of tasks."""
        if not self.pending:
            return
        values = rows["values"]
        workers = np.repeat(
            [part[0] for part in rows["parts"]], [part[3] for part in rows["parts"]]
        )
        for sample in self.pending:
            begun, over = values[STARTED] <= sample.last_ns, values[ENDED] > sample.first_ns
            for place in np.flatnonzero(begun & over).tolist():
                started, ended = int(values[STARTED, place]), int(values[ENDED, place])
                sample.note_task(int(workers[place]), started, ended)

    def levels(self, levels: CheckedFrame) -> None:
        """Take a ``levels`` frame: it completes the samples before it."""
        while self.pending and self.pending[0].last_ns <= levels["at_ns"]:
            sample = self.pending.popleft()
            for worker, intervals in enumerate(levels["workers"]):
                for row in intervals:
                    if row[0] == OPEN_TASK:
                        sample.note_task(worker, row[OPEN_STARTED])
            self._count(sample)

    def _count(self, sample: _Sample) -> None:
        found = [sample.threads[worker] for worker in sample.in_task]
        waiting = tuple(thread.pid for thread in found if thread.wait not in (None, RUNNING))
        unknown = tuple(thread.pid for thread in found if thread.wait is None)
        fed = len(sample.threads) - len(found) if sample.beside else 0
        self.counted.append(_Counted(sample.last_ns, len(sample.threads), fed, waiting, unknown))
        while self.counted[0].at_ns < sample.last_ns - RECENT_NS:
            self.counted.popleft()

    def recent(self, now_ns: int) -> list[_Counted]:
        """Return the counted samples of the last seconds, none if they are too few."""
        found = [one for one in self.counted if one.at_ns >= now_ns - RECENT_NS]
        return found if len(found) >= LEAST_SAMPLES else []


class WaitingWorkers:
    """The workers of all pools of a job, by the process of their probe."""

    def __init__(self) -> None:
        self._pools: dict[int, dict[int, _Pool]] = {}

    def take(
        self, origin: int, frames: Iterable[CheckedFrame], sampled: Mapping[int, Threads]
    ) -> None:
        """Take frames of the probe of process `origin`, and of the host's counters for it.

        sampled: the threads that may be sampled, by pool; a probe may name others.
        """
        pools = self._pools.setdefault(origin, {})
        for frame in frames:
            kind = frame["frame"]
            if kind == "host":
                for pool in pools.values():
                    pool.sampled(frame)
            elif kind == "names":
                allowed = sampled.get(frame["pool"], ())
                named = {
                    worker: (pid if pid >= 0 else origin, native)
                    for worker, native, _, _, pid in frame["threads"]
                }
                pools.setdefault(frame["pool"], _Pool()).threads = {
                    worker: thread for worker, thread in named.items() if thread in allowed
                }
                if frame["closed_ns"] >= 0:
                    del pools[frame["pool"]]
            elif kind == "withdrawn":
                pools.pop(frame["pool"], None)
            elif kind in ("rows", "levels") and frame["pool"] in pools:
                if kind == "levels":
                    pools[frame["pool"]].levels(frame)
                elif frame["table"] == TASKS.name:
                    pools[frame["pool"]].ended(frame)

    def forget(self, origin: int) -> None:
        """Forget the pools of a probe."""
        self._pools.pop(origin, None)

    def processes(self, now_ns: int) -> dict[int, int]:
        """Return the processes to take stacks of, each with the process of its probe.

        They are those of pools whose workers wait in tasks for `LEAST_SHARE` of their time or more,
        or are in tasks for so long and it may not be read what they wait for; and those of a probe
        whose workers may be waiting for a thread that feeds them.
        """
        found = {}
        for origin, pools in self._pools.items():
            for pool in pools.values():
                samples = pool.recent(now_ns)
                workers = sum(one.workers for one in samples)
                if samples and sum(one.fed for one in samples) >= LEAST_IDLE * workers:
                    found[origin] = origin
                for part in ("waiting", "unknown"):
                    pids = [pid for one in samples for pid in getattr(one, part)]
                    if pids and len(pids) >= LEAST_SHARE * workers:
                        found.update(dict.fromkeys(pids, origin))
        return found
