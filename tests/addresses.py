"""Addresses of sockets whose path is longer than the kernel takes."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path


@contextlib.contextmanager
def address(path: Path) -> Iterator[str]:
    """Give a short name for the path of a socket, valid inside the block."""
    descriptor = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        yield f"/proc/self/fd/{descriptor}/{path.name}"
    finally:
        os.close(descriptor)
