"""What adapters share: attributes that report when they are set, and what else they look up."""

from __future__ import annotations

import gc
import weakref
from collections import deque
from collections.abc import Iterator
from types import FunctionType
from typing import Any, Callable

from .._job_objects import attributes_of, is_any, reason_of, type_name
from ._guard import warn_once


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
    pool.is_usable = usable
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
