"""Helpers for the start and the end of the probe's own thread."""

from __future__ import annotations

import contextlib
import os
import signal
import time
from collections.abc import Iterator
from time import monotonic


@contextlib.contextmanager
def signals_blocked() -> Iterator[None]:
    """Have the calling thread, and the threads it starts, take no signals inside the block."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, signal.valid_signals())
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def wait_until_gone(native_id: int, seconds: float) -> None:
    """Wait until the kernel has no such thread, at most so long: that is a little after its last
    line."""
    deadline = monotonic() + seconds
    while os.path.exists(f"/proc/self/task/{native_id}") and monotonic() < deadline:
        time.sleep(0)
