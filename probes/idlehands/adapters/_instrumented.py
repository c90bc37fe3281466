"""What adapters share: attributes that report when they are set, and where a pool was made."""

from __future__ import annotations

import gc
import os
import sys
import weakref
from collections import deque
from collections.abc import Iterator
from types import FrameType, FunctionType
from typing import Any, Callable

from .._names import attributes_of, is_any, reason_of, text, type_name, writable
from ._guard import warn_once

PACKAGE = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
POOL_PACKAGES = ("joblib", "loky", "concurrent", "multiprocessing", "asyncio", "queue")
"""Packages whose threads run code of the job's only as workers of their own pools."""
POOL_MAKERS = (*POOL_PACKAGES, "multiprocess", "pathos", "pebble", "mpire")
"""Packages whose code makes pools on behalf of its callers."""


class InstrumentedAttribute:
    """A class attribute that reports when an instance sets it, and may store another value.

    It defines no ``__get__``, so reading finds the value in the instance's own dictionary, as
    without the attribute (the descriptor protocol of Python's data model). Where the instance has
    no value, reading finds this object: it is false, as a missing value mostly is.
    """

    def __init__(self, name: str, on_set: Callable[[Any, Any], Any]) -> None:
        self._name = name
        self._on_set = on_set

    def __bool__(self) -> bool:
        return False

    def __set__(self, owner: Any, value: Any) -> None:
        if value is not None:
            try:
                value = self._on_set(owner, value)
            except RecursionError:  # a full stack
                pass
            except Exception as error:  # the pool must be made, probed or not
                warn_once(
                    "pools of class %s are not probed: %s", type_name(type(owner)), reason_of(error)
                )
        attributes_of(owner)[self._name] = value

    def __delete__(self, owner: Any) -> None:
        try:
            del attributes_of(owner)[self._name]
        except KeyError:
            raise AttributeError(self._name) from None


def instrument(cls: type, **on_set: Callable[[Any, Any], Any]) -> None:
    """Have the named attributes of `cls` call a function when they are set.

    Each function takes the instance and the new value, and returns the value to store.
    """
    for name, function in on_set.items():
        setattr(cls, name, InstrumentedAttribute(name, function))


def instances_of(cls: type) -> Iterator[Any]:
    """Yield the instances that there are of a class and its subclasses."""
    for thing in gc.get_objects():
        # Not isinstance: that calls code of some objects.
        if issubclass(type(thing), cls):
            yield thing


def made_at() -> str:
    """Return ``file.py:line`` of the innermost caller outside the pools' own packages."""
    frame = caller_outside(sys._getframe(1))
    return place_of(frame.f_code.co_filename, frame.f_lineno)


def place_of(path: str, line: int) -> str:
    """Return a place in a program as ``file.py:line``."""
    return writable(f"{os.path.basename(text(path))}:{line}")


def caller_outside(frame: FrameType) -> FrameType:
    """Return the innermost caller of a frame that is not of the pools' own packages."""
    while frame.f_back is not None and _is_pool_code(frame):
        frame = frame.f_back
    return frame


def _is_pool_code(frame: FrameType) -> bool:
    package = text(dict.get(frame.f_globals, "__name__")).partition(".")[0]
    return package in POOL_MAKERS or text(frame.f_code.co_filename).startswith(PACKAGE + os.sep)


def missing_names(function: Any, *names: str) -> str:
    """Return which of `names` a function's code does not use, as a reason to leave it alone."""
    if type(function) is not FunctionType:
        return f"a {type_name(type(function))} stands where a function was"
    used = function.__code__.co_names + function.__code__.co_varnames
    missing = [name for name in names if name not in used]
    return f"{function.__qualname__} has no {', '.join(missing)}" if missing else ""


def open_while(pool: Any, usable: Callable[[], bool]) -> None:
    """Have a pool count as open while its owner is `usable`, or it has a worker."""
    probes = pool.probes
    pool.still_open = lambda: usable() or any(probe.joined_ns >= 0 for probe in probes)


def weakly(method: Any) -> Callable[[], None]:
    """Return a function that calls a bound method, without keeping its object alive."""
    reference = weakref.WeakMethod(method)

    def call() -> None:
        alive = reference()
        if alive is not None:
            alive()

    return call


def length_of(queue: Any) -> int:
    """Return how much a queue of the standard library holds, without its lock; 0 without one."""
    held: Any = attributes_of(queue).get("queue")
    return len(held) if is_any(type(held), (deque, list)) else 0
