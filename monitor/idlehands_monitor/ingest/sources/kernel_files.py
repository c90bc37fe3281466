"""Reads small files of the kernel, hundreds a second."""

from __future__ import annotations

import os

MOST_BYTES = 1 << 14
"""More than any file of one thread; the kernel returns such a file in one read."""


def read(path: str) -> bytes:
    """Return the present content of a small file under ``/proc`` or ``/sys``. Raises OSError.

    Makes no file object, which would take as long as the kernel needs for its answer.
    """
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        return os.read(descriptor, MOST_BYTES)
    finally:
        os.close(descriptor)
