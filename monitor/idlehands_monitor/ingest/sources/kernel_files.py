"""Reading small files of the kernel's, hundreds a second."""

from __future__ import annotations

import os

MOST_BYTES = 1 << 14
"""More than any file of one thread has; the kernel writes such a file whole into one read."""


def read(path: str) -> bytes:
    """Return what a small file under ``/proc`` or ``/sys`` says now. Raises OSError.

    Without a file object, which takes as long as the kernel does to say it.
    """
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        return os.read(descriptor, MOST_BYTES)
    finally:
        os.close(descriptor)
