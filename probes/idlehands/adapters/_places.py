"""What a pool without a name of its own is called: the line of the program that made it.

That is the innermost line outside the standard library and the installed packages. Some libraries
make a pool for the whole program, at whichever line comes first; such a pool is called by its
library. A pool that only installed packages had a hand in, as at the import of one or in a thread
of one, is called by the line of the innermost package.
"""

from __future__ import annotations

import os
import sys
import sysconfig
from types import FrameType
from typing import NamedTuple

from .._guard import LIBRARY, PACKAGE
from .._job_objects import text
from .._names import writable

POOL_PACKAGES = ("joblib", "loky", "concurrent", "multiprocessing", "asyncio", "queue")
"""Packages whose threads run code of the job's only as workers of their own pools."""
POOL_MAKERS = (*POOL_PACKAGES, "multiprocess", "pathos", "pebble", "mpire")
"""Packages whose code makes pools on behalf of its callers."""
WITH_OWN_POOLS = ("anyio", "dask", "gunicorn")
"""Packages that make a pool for the whole program."""
INSTALLED = tuple(f"{os.sep}{folder}{os.sep}" for folder in ("site-packages", "dist-packages"))
COMMANDS = sysconfig.get_path("scripts") + os.sep
"""Here installed packages put their commands, each a few lines that call the package."""
IMPORTING = "<frozen importlib."
MOST_FRAMES = 200
"""So many callers are asked; a stack of packages alone may be deep."""


class Place(NamedTuple):
    """A place in a program: its file as it is to be written, and the line; 0 for all of it."""

    file: str
    line: int

    def __str__(self) -> str:
        return writable(f"{self.file}:{self.line}" if self.line else self.file)


def made_at() -> str:
    """Return what a pool is called that the caller's caller, or a caller of that one, makes."""
    return str(place_of(sys._getframe(1)))


def place_of(frame: FrameType) -> Place:
    """Return the place that a pool is called by, from the frame in which it is made outwards."""
    within: Place | None = None
    for _ in range(MOST_FRAMES):
        package, path = _package_of(frame), text(frame.f_code.co_filename)
        if within is not None and path.startswith((IMPORTING, PACKAGE)):
            break  # what imports the package, or runs the job, is no line of the job's
        if package not in POOL_MAKERS and not path.startswith((PACKAGE, "<frozen ")):
            if within is None and package in WITH_OWN_POOLS:
                return Place(package, 0)
            folder = _installed_in(path)
            if folder and within is None:
                within = Place(path.rpartition(folder)[2], frame.f_lineno)
            elif not folder and not path.startswith((LIBRARY, COMMANDS)):
                return Place(os.path.basename(path), frame.f_lineno)
        if frame.f_back is None:
            break
        frame = frame.f_back
    return within or Place(os.path.basename(text(frame.f_code.co_filename)), frame.f_lineno)


def _package_of(frame: FrameType) -> str:
    return text(dict.get(frame.f_globals, "__name__")).partition(".")[0]


def _installed_in(path: str) -> str:
    """Return the folder of installed packages that a file is in, empty where it is in none."""
    return next((folder for folder in INSTALLED if folder in path), "")
