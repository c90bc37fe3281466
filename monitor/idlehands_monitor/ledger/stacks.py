"""Samples of an external process: the stacks of its threads.

Pure bookkeeping, bounded: equal stacks are held once, and past `MOST_SAMPLES` or `MOST_FRAMES` the
older half is dropped.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Any, NamedTuple

from idlehands.wire import NONE

from ..ingest import limits

if TYPE_CHECKING:
    from ..ingest import CheckedFrame

MOST_SAMPLES = 1 << 19
MOST_FRAMES = 1 << 19
"""Frames of all different stacks held."""
LEAST_STACKS = 40
MOST_LETTERS = 200


class StackFrame(NamedTuple):
    """One frame of a stack: a function's name (qualified from Python 3.11 on), file and line."""

    function: str
    file: str
    line: int


Stack = tuple[StackFrame, ...]
"""Innermost frame first."""


class ThreadSample(NamedTuple):
    """One thread in one dump. wait: the kernel's reason just before, empty where it gave none."""

    native_id: int
    ident: int
    name: str
    owns_lock: bool
    wait: str
    stack: Stack


class Dump(NamedTuple):
    """One process at one time. missing: why there are no stacks, empty where there are some.

    began_ns: the stacks were read between this time and at_ns; -1 where it is not known.
    """

    at_ns: int
    pid: int
    parent: int
    missing: str
    threads: tuple[ThreadSample, ...]
    began_ns: int = NONE


class Samples:
    """Dumps of stacks, oldest first. first_ns, latest_ns: time of the first and last sample."""

    def __init__(self, most: int = MOST_SAMPLES) -> None:
        self.dumps: deque[Dump] = deque()
        self.first_ns = -1
        self.latest_ns = -1
        self._most = most
        self._held = 0
        self._stacks: dict[Stack, Stack] = {}
        self._frames = 0
        self._strings: dict[str, str] = {}

    def add_dump(self, frame: CheckedFrame) -> None:
        """Take a ``stacks`` frame."""
        dump = Dump(
            frame["at_ns"],
            frame["pid"],
            frame["parent"],
            frame["missing"][:MOST_LETTERS],
            tuple(map(self._thread, frame["threads"])),
            frame["began_ns"],
        )
        last = self.dumps[-1] if self.dumps else None
        if (
            last is not None
            and (last.at_ns, last.pid) == (dump.at_ns, dump.pid)
            and len(last.threads) < limits.THREADS
        ):
            self.dumps[-1] = last._replace(threads=last.threads + dump.threads)
        else:
            self.dumps.append(dump)
        self._add(dump.at_ns, len(dump.threads))

    def note(self, at_ns: int) -> None:
        """Note that the process was sampled at a time."""
        self._add(at_ns, 0)

    def forget_before(self, timestamp_ns: int) -> None:
        """Drop what was sampled before `timestamp_ns`."""
        while self.dumps and self.dumps[0].at_ns < timestamp_ns:
            self._held -= len(self.dumps.popleft().threads)
        self.first_ns = max(self.first_ns, timestamp_ns)
        live = sum(len(dump.threads) for dump in self.dumps)
        if len(self._stacks) > 2 * live + LEAST_STACKS or self._frames > MOST_FRAMES:
            stacks = (thread.stack for dump in self.dumps for thread in dump.threads)
            self._stacks = {stack: stack for stack in stacks}
            self._frames = sum(map(len, self._stacks))

    def _add(self, at_ns: int, samples: int) -> None:
        if self.first_ns < 0:
            self.first_ns = at_ns
        self.latest_ns = max(self.latest_ns, at_ns)
        self._held += samples
        if self._held > self._most or self._frames > MOST_FRAMES:
            half = len(self.dumps) // 2 or 1
            dumps = list(self.dumps)
            self.forget_before(dumps[half].at_ns if half < len(dumps) else self.latest_ns + 1)

    def _thread(self, thread: dict[str, Any]) -> ThreadSample:
        frames = tuple(
            StackFrame(self._interned(function), self._interned(file), line)
            for function, file, line in thread["frames"]
        )
        known = self._stacks.get(frames)
        if known is None:
            known = self._stacks[frames] = frames
            self._frames += len(frames)
        return ThreadSample(
            thread["native_id"],
            thread["ident"],
            self._interned(thread["name"]),
            thread["owns_lock"],
            self._interned(thread["wait"]),
            known,
        )

    def _interned(self, text: str) -> str:
        if len(self._strings) > MOST_SAMPLES // 16:
            self._strings.clear()
        text = text[-MOST_LETTERS:]
        return self._strings.setdefault(text, text)
