"""What was sampled of a process from outside: the stacks of its threads.

Pure bookkeeping, bounded: equal stacks are kept once, and past `MOST_SAMPLES` the oldest go.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    from idlehands.wire import Frame

MOST_SAMPLES = 1 << 20
MOST_FRAMES = 40
MOST_LETTERS = 200
END_OF_TIME_NS = 1 << 62


class StackFrame(NamedTuple):
    """One frame of a stack: a function's name (qualified from Python 3.11 on), file and line."""

    function: str
    file: str
    line: int


Stack = tuple[StackFrame, ...]
"""Innermost frame first."""


class ThreadSample(NamedTuple):
    """One thread in one dump. wait: what the kernel said just before, empty where it did not."""

    native_id: int
    ident: int
    name: str
    owns_lock: bool
    wait: str
    stack: Stack


class Dump(NamedTuple):
    """One process at one moment. missing: why there are no stacks, empty where there are."""

    at_ns: int
    pid: int
    parent: int
    missing: str
    threads: tuple[ThreadSample, ...]


class Samples:
    """Dumps of stacks, oldest first; first_ns and latest_ns span all that was sampled."""

    def __init__(self, most: int = MOST_SAMPLES) -> None:
        self.dumps: deque[Dump] = deque()
        self.first_ns = -1
        self.latest_ns = -1
        self._most = most
        self._held = 0
        self._stacks: dict[Stack, Stack] = {}
        self._words: dict[str, str] = {}

    def add_dump(self, frame: Frame) -> None:
        """Take a ``stacks`` frame. Raises ValueError, KeyError or TypeError on a bad one."""
        dump = Dump(
            _moment(frame["at_ns"]),
            int(frame["pid"]),
            int(frame.get("parent", -1)),
            str(frame.get("missing", ""))[:MOST_LETTERS],
            tuple(self._thread(thread) for thread in frame["threads"]),
        )
        last = self.dumps[-1] if self.dumps else None
        if last is not None and (last.at_ns, last.pid) == (dump.at_ns, dump.pid):
            self.dumps[-1] = last._replace(threads=last.threads + dump.threads)
        else:
            self.dumps.append(dump)
        self._add(dump.at_ns, len(dump.threads))

    def note(self, at_ns: int) -> None:
        """Note that something was sampled at a moment. Raises ValueError on a bad one."""
        self._add(_moment(at_ns), 0)

    def forget_before(self, moment_ns: int) -> None:
        """Drop what was sampled before `moment_ns`."""
        while self.dumps and self.dumps[0].at_ns < moment_ns:
            self._held -= len(self.dumps.popleft().threads)
        self.first_ns = max(self.first_ns, moment_ns)
        live = sum(len(dump.threads) for dump in self.dumps)
        if len(self._stacks) > 2 * live + MOST_FRAMES:
            kept = (thread.stack for dump in self.dumps for thread in dump.threads)
            self._stacks = {stack: stack for stack in kept}

    def _add(self, at_ns: int, samples: int) -> None:
        if self.first_ns < 0:
            self.first_ns = at_ns
        self.latest_ns = max(self.latest_ns, at_ns)
        self._held += samples
        if self._held > self._most:
            self.forget_before((self.first_ns + self.latest_ns) // 2)

    def _thread(self, thread: Frame) -> ThreadSample:
        frames = tuple(
            StackFrame(self._word(str(function)), self._word(str(file)), int(line))
            for function, file, line in thread["frames"][:MOST_FRAMES]
        )
        return ThreadSample(
            int(thread["native_id"]),
            int(thread["ident"]),
            self._word(str(thread["name"])),
            bool(thread.get("owns_lock", False)),
            self._word(str(thread.get("wait", ""))),
            self._stacks.setdefault(frames, frames),
        )

    def _word(self, text: str) -> str:
        if len(self._words) > MOST_SAMPLES // 16:
            self._words.clear()
        text = text[-MOST_LETTERS:]
        return self._words.setdefault(text, text)


def _moment(value: Any) -> int:
    at_ns = int(value)
    if not 0 <= at_ns < END_OF_TIME_NS:
        raise ValueError(f"no moment: {at_ns}")
    return at_ns
