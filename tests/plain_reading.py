"""A reader that attaches to every process of a run and counts what it reads."""

from __future__ import annotations

import contextlib
import os
import selectors
import socket
import threading
import time
from pathlib import Path

from addresses import address
from idlehands.wire import SUFFIX, Decoder


class Reading:
    """A reader that attaches to every process of a run as soon as its socket is there."""

    CHECK_SECONDS = 0.003

    def __init__(self, folder: Path) -> None:
        self.attached = self.rows = 0
        self._folder = folder
        self._known: set[str] = set()
        self._ending = False
        self._thread = threading.Thread(target=self._go, daemon=True)
        self._thread.start()

    def end(self) -> None:
        """Read to the end what is there; the run is over."""
        self._ending = True
        self._thread.join()

    def _go(self) -> None:
        with selectors.DefaultSelector() as selector:
            while not self._ending:
                self._attach(selector)
                self._read(selector, self.CHECK_SECONDS)
            while selector.get_map() and self._read(selector, 0):
                pass
            for key in list(selector.get_map().values()):
                key.fileobj.close()  # type: ignore[union-attr]

    def _attach(self, selector: selectors.BaseSelector) -> None:
        with contextlib.suppress(OSError):
            for name in set(os.listdir(self._folder)) - self._known:
                if name.endswith(SUFFIX):
                    connection = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
                    try:
                        with address(self._folder / name) as short:
                            connection.connect(short)
                    except OSError:  # bound and not yet listening, or gone again
                        connection.close()
                        continue
                    self._known.add(name)
                    self.attached += 1
                    selector.register(connection, selectors.EVENT_READ, Decoder())

    def _read(self, selector: selectors.BaseSelector, seconds: float) -> int:
        if not selector.get_map():
            time.sleep(seconds)
            return 0
        ready = selector.select(seconds)
        for key, _ in ready:
            connection = key.fileobj
            assert isinstance(connection, socket.socket)
            data = b""
            with contextlib.suppress(OSError):
                data = connection.recv(1 << 16)
            for frame in key.data.feed(data):
                if frame["frame"] == "rows" and frame["table"] == "tasks":
                    self.rows += frame["rows"]
            if not data:
                selector.unregister(connection)
                connection.close()
        return len(ready)
