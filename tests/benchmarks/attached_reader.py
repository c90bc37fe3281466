"""A monitor's reading half in a process of its own: attaches, decodes everything, counts.

As a script it is that process: it takes commands as lines on stdin and answers in JSON lines.
`Reader` starts that process and asks it.
"""

from __future__ import annotations

import contextlib
import json
import os
import selectors
import socket
import subprocess
import sys
from time import monotonic_ns
from typing import Any

from idlehands.wire import TABLES, Decoder, Folder, Frame, folder_path

READ_BYTES = 1 << 18


class Reader:
    """A reader process of this process's own pools. `lost` counts since the last `reset`."""

    def __init__(self) -> None:
        self._child = subprocess.Popen(
            [sys.executable, __file__, str(os.getpid())],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def ask(self, command: str) -> dict[str, Any]:
        """Send one command; return its answer. Raises RuntimeError when the reader has gone."""
        assert self._child.stdin is not None
        assert self._child.stdout is not None
        self._child.stdin.write(command + "\n")
        self._child.stdin.flush()
        answer = self._child.stdout.readline()
        if not answer:
            raise RuntimeError(f"the attached reader ended over {command!r}")
        parsed: dict[str, Any] = json.loads(answer)
        return parsed

    def attach(self) -> None:
        """Attach and take in all that the rings hold of before, then count from zero."""
        self.ask("attach")
        self.sync()
        self.ask("reset")

    def sync(self) -> dict[str, Any]:
        """Wait until all that was recorded up to now has been read; return the counts."""
        return self.ask(f"sync {monotonic_ns()}")

    def detach(self) -> None:
        """Hang up; the target notices at once."""
        self.ask("detach")

    def close(self) -> None:
        """End the reader process."""
        assert self._child.stdin is not None
        self._child.stdin.close()
        self._child.wait(10)


class Serving:
    """The reader process itself."""

    def __init__(self, pid: int) -> None:
        self.path = os.path.join(folder_path(), f"{pid}.sock")
        self.selector = selectors.DefaultSelector()
        self.selector.register(sys.stdin.fileno(), selectors.EVENT_READ)
        self.connection: socket.socket | None = None
        self.decoder = Decoder()
        self.counts: dict[str, int] = {}
        self.level_ns: dict[int, int] = {}
        self.awaited_ns: int | None = None

    def serve(self) -> None:
        while True:
            for key, _ in self.selector.select():
                if key.fileobj is self.connection:
                    self.read()
                elif not self.command(os.read(sys.stdin.fileno(), 4096).decode().split()):
                    return

    def command(self, words: list[str]) -> bool:
        if not words:
            return False
        if words[0] == "attach":
            self.attach()
        elif words[0] == "detach":
            self.hang_up()
        elif words[0] == "reset":
            self.counts = dict.fromkeys((*TABLES, "lost", "bytes", "frames"), 0)
        elif words[0] == "sync":
            self.awaited_ns = int(words[1])
            self.answer_if_due()
            return True
        self.answer()
        return True

    def attach(self) -> None:
        self.decoder, self.level_ns = Decoder(), {}
        self.counts = dict.fromkeys((*TABLES, "lost", "bytes", "frames"), 0)
        self.connection = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        with Folder(os.path.dirname(self.path)) as folder:
            self.connection.connect(folder.address(os.path.basename(self.path)))
        self.selector.register(self.connection, selectors.EVENT_READ)

    def hang_up(self) -> None:
        if self.connection is not None:
            self.selector.unregister(self.connection)
            self.connection.close()
            self.connection = None

    def read(self) -> None:
        assert self.connection is not None
        data = self.connection.recv(READ_BYTES)
        if not data:
            raise SystemExit("the target closed the connection")
        self.counts["bytes"] += len(data)
        for frame in self.decoder.feed(data):
            self.take(frame)
        self.answer_if_due()

    def take(self, frame: Frame) -> None:
        self.counts["frames"] += 1
        if frame["frame"] == "rows":
            self.counts[frame["table"]] += frame["rows"]
        elif frame["frame"] == "lost":
            self.counts["lost"] += frame["rows"]
        elif frame["frame"] == "names":
            # All names come before the first row, so a pool not heard out yet is known to be one.
            self.level_ns.setdefault(frame["pool"], -1)
        elif frame["frame"] == "levels":
            self.level_ns[frame["pool"]] = frame["at_ns"]

    def answer_if_due(self) -> None:
        awaited = self.awaited_ns
        if awaited is not None and self.level_ns and min(self.level_ns.values()) >= awaited:
            self.awaited_ns = None
            self.answer()

    def answer(self) -> None:
        with contextlib.suppress(BrokenPipeError):
            print(json.dumps(self.counts), flush=True)


if __name__ == "__main__":
    Serving(int(sys.argv[1])).serve()
