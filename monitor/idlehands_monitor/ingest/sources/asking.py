"""Asks sockets which process is behind them: all at once, in bounded time and memory.

Whatever answers may be hostile: it is given `ANSWER_SECONDS`, and at most `ANSWER_BYTES` of it are
read. A probe is asked only for its greeting and the names of its pools, so that it builds no rows.
After the greeting the monitor closes its sending side; the probe then closes the connection.
"""

from __future__ import annotations

import contextlib
import selectors
import socket
from dataclasses import dataclass, replace
from time import monotonic
from typing import TYPE_CHECKING

from idlehands.wire import MOST_BYTES, NAMES_ONLY, Folder, NewerVersion

from .. import CheckedFrame, StreamFrames
from . import host
from .sockets import AnotherUser, connect

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

ANSWER_SECONDS = 1.0
ALL_ANSWERS_SECONDS = 3.0
"""The limit for all sockets together, however many there are."""
AT_ONCE = 64
ANSWER_BYTES = MOST_BYTES
ONE_SENDING_BYTES = 1 << 17
"""A probe sends at most so much at once, what its socket holds. A longer answer ends only with the
connection."""
NO_PROBE = "has a socket, but what answers on it is no probe"


@dataclass(frozen=True, slots=True)
class FoundPool:
    """A pool as its process announces it."""

    name: str
    kind: str
    workers: int
    closed: bool


@dataclass(frozen=True, slots=True)
class FoundProcess:
    """A process with a probe: the path of its socket, and what the probe reports.

    owner: the user whose folder the socket is in. note: why the monitor cannot attach to it, worded
    to follow "process 4711"; empty where it can. last_seen_s: of a process that has ended, when its
    last state was written, in seconds of the wall clock; path is that of its page then. silent_s:
    how long its interpreter has run no other thread, None where that is not known.
    """

    pid: int
    path: str
    program: str = ""
    python: str = ""
    pools: tuple[FoundPool, ...] = ()
    owner: int = -1
    note: str = ""
    last_seen_s: float | None = None
    silent_s: float | None = None


@dataclass(frozen=True, slots=True)
class ProbeSocket:
    """A socket in an open folder: its name, the process in the name, its (device, inode)."""

    folder: Folder
    name: str
    pid: int
    identity: tuple[int, int]

    @property
    def path(self) -> str:
        """The path of the socket, for messages and for attaching to it."""
        return f"{self.folder.path}/{self.name}"


def ask(sockets: Sequence[ProbeSocket]) -> Iterator[tuple[ProbeSocket, FoundProcess | None]]:
    """Yield each socket with the process behind it, None where the process has ended.

    Takes `ALL_ANSWERS_SECONDS` at most; the sockets that were not asked by then are left out.
    """
    deadline = monotonic() + ALL_ANSWERS_SECONDS
    for first in range(0, len(sockets), AT_ONCE):
        left = deadline - monotonic()
        if left <= 0:
            return
        yield from _ask_together(sockets[first : first + AT_ONCE], min(left, ANSWER_SECONDS))


def _ask_together(
    sockets: Sequence[ProbeSocket], seconds: float
) -> Iterator[tuple[ProbeSocket, FoundProcess | None]]:
    deadline = monotonic() + seconds
    with selectors.DefaultSelector() as selector, contextlib.ExitStack() as stack:
        for one in sockets:
            call = _Call(one)
            if call.begin():
                stack.callback(call.connection.close)
                selector.register(call.connection, selectors.EVENT_READ, call)
            else:
                yield one, call.found
        while selector.get_map() and (left := deadline - monotonic()) > 0:
            for key, _ in selector.select(left):
                if key.data.has_ended():
                    selector.unregister(key.fileobj)
                    yield key.data.asked, key.data.found
        for key in list(selector.get_map().values()):
            yield key.data.asked, key.data.timed_out()


class _Call:
    """One socket being asked, and what is known so far of the process behind it."""

    connection: socket.socket

    def __init__(self, asked: ProbeSocket) -> None:
        self.asked = asked
        self._process = FoundProcess(asked.pid, asked.path, owner=asked.folder.owner)
        self._process_has_ended = False
        self._frames = StreamFrames()
        self._greeted = False
        self._pools: dict[int, FoundPool] = {}
        self._bytes = 0

    @property
    def found(self) -> FoundProcess | None:
        """What is known of the process, None where it has ended."""
        return None if self._process_has_ended else self._process

    def begin(self) -> bool:
        """Connect and ask; return whether an answer can arrive."""
        try:
            self.connection = connect(self.asked.folder, self.asked.name)
        except BlockingIOError:
            self._note(silence(self.asked.pid))
        except (ConnectionRefusedError, FileNotFoundError):
            self._process_has_ended = True
        except AnotherUser as error:
            self._note(str(error))
        except OSError as error:
            self._note(f"cannot be asked: {error.strerror}")
        else:
            with contextlib.suppress(OSError):  # if it ends now, the reading below notices
                self.connection.send(NAMES_ONLY)
            return True
        return False

    def has_ended(self) -> bool:
        """Read what has arrived; return whether the answer is complete."""
        try:
            while self._read():
                pass
        except BlockingIOError:
            if self._greeted and self._bytes < ONE_SENDING_BYTES:
                with contextlib.suppress(OSError):
                    self.connection.shutdown(socket.SHUT_WR)
            return False
        except NewerVersion as error:
            self._note(f"cannot be read: {error}")
        except ValueError:  # a WireError is one
            self._note(NO_PROBE)
        except OSError:
            pass  # it ended in the middle of its answer
        if not self._greeted and not self._process.note:
            self._note(NO_PROBE)
        return True

    def _read(self) -> bool:
        """Read one piece of the answer; return False after the last. Raises BlockingIOError."""
        data = self.connection.recv(1 << 16)
        self._bytes += len(data)
        frames = self._frames.feed(data)
        return (
            all(self._take(frame) for frame, _ in frames)
            and bool(data)
            and self._bytes < ANSWER_BYTES
        )

    def timed_out(self) -> FoundProcess | None:
        """Return what is known of the process when the time is over."""
        if not self._greeted:
            self._note(silence(self.asked.pid))
        return self.found

    def _take(self, frame: CheckedFrame) -> bool:
        """Take a frame of the answer; return False after the last."""
        kind = frame["frame"]
        if kind == "hello" and not self._greeted:
            if frame["pid"] != self.asked.pid:
                raise ValueError("the answer is of another process")
            self._greeted = True
            self._process = replace(self._process, program=frame["argv0"], python=frame["python"])
        elif kind == "names" and self._greeted:
            self._pools[frame["pool"]] = FoundPool(
                frame["name"],
                frame["pool_kind"],
                frame["workers"] + frame["left_out"],
                frame["closed_ns"] >= 0,
            )
            self._process = replace(self._process, pools=tuple(self._pools.values()))
        elif kind != "skipped" or not self._greeted:
            if kind == "bye" and not self._pools:
                self._note(refusal(frame))
            return False
        return True

    def _note(self, note: str) -> None:
        self._process = replace(self._process, note=note)


def silence(pid: int) -> str:
    """Return why a probe does not answer, worded to follow "process 4711"."""
    if host.is_stopped(pid):
        return "has a probe that does not answer: the process is stopped"
    return f"has a probe that did not answer within {ANSWER_SECONDS:g} s"


def refusal(bye: CheckedFrame) -> str:
    """Return why a probe sent only its greeting, worded to follow "process 4711"."""
    return f"refused the connection: {bye['reason'] or 'no reason given'}"
