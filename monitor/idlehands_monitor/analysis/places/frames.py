"""Which frame of a stack is the program's own. Pure.

The files tell it: those of the standard library, of installed packages and of the probe are not the
program's own. An installed program has no file of its own in this sense; then the innermost frame
of an installed package stands for it.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import TYPE_CHECKING

from ...model.places import PlaceReading

if TYPE_CHECKING:
    from collections.abc import Callable

    from ...ledger import Stack, StackFrame

INSTALLED = re.compile(r"/(?:site|dist)-packages/")
STANDARD_LIBRARY = re.compile(r"/lib(?:64)?/python\d+\.\d+t?/|/python\d+\.zip/|^<frozen ")
PROBE = re.compile(r"/idlehands/(?:adapters/\w+|_\w+|wire)\.py$")
DEMONSTRATION = re.compile(r"/idlehands_demo/\w+\.py$")
"""The demonstration is a program of its own, also where it is installed."""


def _is_own(file: str) -> bool:
    if DEMONSTRATION.search(file):
        return True
    return not (INSTALLED.search(file) or STANDARD_LIBRARY.search(file))


def _is_installed(file: str) -> bool:
    return INSTALLED.search(file) is not None


def _is_any(_file: str) -> bool:
    return True


WANTED: tuple[Callable[[str], bool], ...] = (_is_own, _is_installed, _is_any)
"""What stands for the program, the best first."""


def own_frame(stack: Stack) -> StackFrame | None:
    """Return the innermost frame that stands for the program, None for a stack without frames."""
    frames = [frame for frame in stack if frame.file and not PROBE.search(frame.file)]
    for is_wanted in WANTED:
        for frame in frames:
            if is_wanted(frame.file):
                return frame
    return None


@lru_cache(maxsize=1 << 12)
def place_of(stack: Stack) -> tuple[PlaceReading | None, PlaceReading | None]:
    """Return (place, what it waits in or runs); the second is None where it is the place itself."""
    own = own_frame(stack)
    innermost = next((frame for frame in stack if frame.file), None)
    place = PlaceReading(*own) if own is not None else None
    inside = PlaceReading(*innermost) if innermost is not None and innermost != own else None
    return place, inside
