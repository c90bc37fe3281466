"""Asking sockets what is behind them: all at once, in bounded time and memory.

Whoever answers may be anything: nothing that it does takes longer than `ANSWER_SECONDS`, and no
more than `ANSWER_BYTES` are read of it. A probe is asked for its greeting and the names of its
pools only, so that it builds no rows. Once greeted, this end says that it will say no more, and
the probe, which has nothing to add, closes.
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
"""However many sockets there are, and whatever they do."""
AT_ONCE = 64
ANSWER_BYTES = MOST_BYTES
ONE_SENDING_BYTES = 1 << 17
"""A probe sends as much in one go, which is what its socket holds. The end of a longer answer shows
only in that no more comes."""
NO_PROBE = "is answered for by something that is no probe"


@dataclass(frozen=True, slots=True)
class FoundPool:
    """A pool as its process announces it."""

    name: str
    kind: str
    workers: int
    closed: bool


@dataclass(frozen=True, slots=True)
class FoundProcess:
    """A process with a probe: where its socket is, what it says of itself.

    owner: the user whose folder the socket is in. note: why it cannot be attached to, to be read
    after "process 4711"; empty where it can.
    """

    pid: int
    path: str
    program: str = ""
    python: str = ""
    pools: tuple[FoundPool, ...] = ()
    owner: int = -1
    note: str = ""


@dataclass(frozen=True, slots=True)
class ProbeSocket:
    """A socket in an open folder: its name, the process in the name, its (device, inode)."""

    folder: Folder
    name: str
    pid: int
    identity: tuple[int, int]

    @property
    def path(self) -> str:
        """Where the socket is, for messages and for attaching to it."""
        return f"{self.folder.path}/{self.name}"


def ask(sockets: Sequence[ProbeSocket]) -> Iterator[tuple[ProbeSocket, FoundProcess | None]]:
    """Yield each socket with the process behind it, None where that is gone.

    Takes `ALL_ANSWERS_SECONDS` at most; the sockets whose turn has not come by then are left out.
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
        self._gone = False
        self._frames = StreamFrames()
        self._greeted = False
        self._pools: dict[int, FoundPool] = {}
        self._bytes = 0

    @property
    def found(self) -> FoundProcess | None:
        """What is known of the process, None where it is gone."""
        return None if self._gone else self._process

    def begin(self) -> bool:
        """Connect and ask; say whether an answer can come."""
        try:
            self.connection = connect(self.asked.folder, self.asked.name)
        except BlockingIOError:
            self._note(silence(self.asked.pid))
        except (ConnectionRefusedError, FileNotFoundError):
            self._gone = True
        except AnotherUser as error:
            self._note(str(error))
        except OSError as error:
            self._note(f"cannot be asked: {error.strerror}")
        else:
            with contextlib.suppress(OSError):  # who goes now is read to the end below
                self.connection.send(NAMES_ONLY)
            return True
        return False

    def has_ended(self) -> bool:
        """Read what has come; say whether that was all."""
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
            pass  # it went in the middle of its answer
        if not self._greeted and not self._process.note:
            self._note(NO_PROBE)
        return True

    def _read(self) -> bool:
        """Take in one piece of the answer; False after the last. Raises BlockingIOError."""
        data = self.connection.recv(1 << 16)
        self._bytes += len(data)
        frames = self._frames.feed(data)
        return (
            all(self._take(frame) for frame, _ in frames)
            and bool(data)
            and self._bytes < ANSWER_BYTES
        )

    def timed_out(self) -> FoundProcess | None:
        """Return what is known of the process now that the time is up."""
        if not self._greeted:
            self._note(silence(self.asked.pid))
        return self.found

    def _take(self, frame: CheckedFrame) -> bool:
        """Take a frame of the answer; False after the last."""
        kind = frame["frame"]
        if kind == "hello" and not self._greeted:
            if frame["pid"] != self.asked.pid:
                raise ValueError("it answers for another process")
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
    """Return why a probe does not answer, to be read after "process 4711"."""
    if host.is_stopped(pid):
        return "has a probe that does not answer: the process is stopped"
    return f"has a probe that did not answer within {ANSWER_SECONDS:g} s"


def refusal(bye: CheckedFrame) -> str:
    """Return why a probe said no more than its greeting, to be read after "process 4711"."""
    return f"takes no reader now: {bye['reason'] or 'no reason given'}"
