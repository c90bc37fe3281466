"""What adapters share: attributes that tell when they are set, and where a pool was made."""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Iterator
from typing import Any, Callable

from .._notes import warn

PACKAGE = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
POOL_PACKAGES = ("joblib", "loky", "concurrent", "multiprocessing", "asyncio", "queue")
"""Whose code makes pools for somebody else."""


class Telling:
    """A class attribute that tells when an instance sets it, and may put another value there.

    It defines no ``__get__``, so reading finds the value in the instance's own dictionary, as if
    nothing stood here (the descriptor protocol of Python's data model).
    """

    def __init__(self, name: str, told: Callable[[Any, Any], Any]) -> None:
        self._name = name
        self._told = told

    def __set__(self, owner: Any, value: Any) -> None:
        if value is not None:
            try:
                value = self._told(owner, value)
            except Exception as error:  # the pool must be made, probed or not
                warn("a %s is not probed: %r", type(owner).__name__, error)
        owner.__dict__[self._name] = value

    def __delete__(self, owner: Any) -> None:
        try:
            del owner.__dict__[self._name]
        except KeyError:
            raise AttributeError(self._name) from None


def tell(cls: type, **told: Callable[[Any, Any], Any]) -> None:
    """Have the named attributes of `cls` tell when they are set."""
    for name, function in told.items():
        setattr(cls, name, Telling(name, function))


def instances_of(cls: type) -> Iterator[Any]:
    """Yield the instances that there are of a class and its subclasses."""
    for thing in gc.get_objects():
        # Not isinstance: that asks the object, and some answer by doing work.
        if issubclass(type(thing), cls):
            yield thing


def made_at() -> str:
    """Return ``file.py:line`` of the innermost caller outside the pools' own packages."""
    frame = sys._getframe(1)
    while frame.f_back is not None and _is_pool_code(frame.f_globals, frame.f_code.co_filename):
        frame = frame.f_back
    return f"{os.path.basename(frame.f_code.co_filename)}:{frame.f_lineno}"


def _is_pool_code(names: dict[str, Any], path: str) -> bool:
    package = str(names.get("__name__", "")).partition(".")[0]
    return package in POOL_PACKAGES or path.startswith(PACKAGE + os.sep)


def missing_names(function: Any, *names: str) -> str:
    """Return which of `names` the function's code does not use, as a reason to leave it alone."""
    used = function.__code__.co_names + function.__code__.co_varnames
    missing = [name for name in names if name not in used]
    return f"{function.__qualname__} has no {', '.join(missing)}" if missing else ""
