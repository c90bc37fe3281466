"""Which pool and which process a frame is of, by numbers that are unique in a recording. Pure.

A pool's own number is unique in its process only, and a process that says hello again begins anew.
The numbers here are given in the order in which pools and processes are first heard of, so reading
a recording twice gives the same numbers.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from idlehands.wire import NONE

if TYPE_CHECKING:
    from .. import CheckedFrame


@dataclass(slots=True)
class KnownProcess:
    """A process: its number, its id, its latest frames of three kinds."""

    number: int
    pid: int
    hello: dict[str, Any] = field(default_factory=dict)
    cost: dict[str, Any] = field(default_factory=dict)
    ended: str = ""


@dataclass(slots=True)
class KnownPool:
    """A pool: its number, its process, its number there, its latest names and its threads."""

    number: int
    process: KnownProcess
    declared_as: int
    names: dict[str, Any] = field(default_factory=dict)
    threads: dict[int, tuple[int, int, str, int]] = field(default_factory=dict)
    withdrawn: bool = False

    @property
    def name(self) -> str:
        """The pool's name, made up where no frame names the pool."""
        return str(self.names.get("name", f"pool {self.number}"))

    def kind_name(self, kind: int) -> str:
        """Return the name of a kind of task, made up where no frame names the kind."""
        kinds = self.names.get("task_kinds", ())
        return str(kinds[kind]) if 0 <= kind < len(kinds) else f"kind {kind}"

    def worker_name(self, worker: int) -> str:
        """Return the name of a worker's thread, "" where it is not known."""
        return self.threads[worker][2] if worker in self.threads else ""


class PoolNames:
    """Follows the frames that say of which process and pool the others are."""

    def __init__(self) -> None:
        self.processes: list[KnownProcess] = []
        self.pools: list[KnownPool] = []
        self._pid = NONE
        self._process_of: dict[int, KnownProcess] = {}
        self._pool_of: dict[tuple[int, int], KnownPool] = {}

    @property
    def process(self) -> KnownProcess:
        """The process of the present frames."""
        found = self._process_of.get(self._pid)
        if found is None:
            found = self._process_of[self._pid] = KnownProcess(len(self.processes), self._pid)
            self.processes.append(found)
        return found

    def pool(self, frame: CheckedFrame) -> KnownPool:
        """Return the pool that a frame is of."""
        key = self.process.number, frame["pool"]
        found = self._pool_of.get(key)
        if found is None:
            found = KnownPool(len(self.pools), self.process, frame["pool"])
            self._pool_of[key] = found
            self.pools.append(found)
        return found

    def take(self, frame: CheckedFrame) -> None:
        """Take any frame."""
        kind = frame["frame"]
        if kind == "from":
            self._pid = frame["pid"]
        elif kind == "hello":
            if self.process.hello:  # the same process again, from the beginning of its rings
                del self._process_of[self._pid]
            self.process.hello = frame
            if self.process.pid == NONE:
                self.process.pid = frame["pid"]
        elif kind == "cost":
            self.process.cost = frame
        elif kind == "bye":
            self.process.ended = frame["reason"] or "ended"
        elif kind == "withdrawn":
            self.pool(frame).withdrawn = True
        elif kind == "names":
            pool = self.pool(frame)
            pool.names = frame
            for worker, *thread in frame["threads"]:
                pool.threads[worker] = (thread[0], thread[1], thread[2], thread[3])
