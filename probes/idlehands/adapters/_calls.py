"""What a task calls, where it is handed in as something else: a chunk of `map`, a joblib batch, a
library's own function or object with the callable inside.

No attribute of a task is read that could run code of the job's. Only objects of a class known here,
or of joblib's own, are opened, and only by their own attributes.
"""

from __future__ import annotations

from contextvars import Context
from functools import partial
from types import BuiltinFunctionType
from typing import Any, Callable

from .._job_objects import attributes_of, class_module, is_any
from .._names import called_by, runs_in_context
from .._tables import NONE

JOBLIB = "joblib."
LAYERS = 3
"""A wrapper around a batch, and another one around that."""

Inside = Callable[[Any], Any]
"""Returns the callable inside what a wrapper is given, None where that looks different."""
wrappers: dict[int, tuple[Any, Inside]] = {}
"""By its identity: a function of a library that calls what is in its arguments, see `libraries`."""
items: dict[int, tuple[type, Inside]] = {}
"""By its identity: a class of a library whose instances are put into a queue as tasks."""


def in_chunk(chunk: Any, function: Any, arguments: Any) -> tuple[Any, int] | None:
    """Return (the callable inside, how many calls) of a chunk of an executor's `map`.

    It is handed in as the library's function `chunk` with the callable bound to it, and a tuple of
    arguments for each call. None where it is no such thing.
    """
    if type(function) is not partial or function.func is not chunk:
        return None
    inside = (*function.args, *arguments) if type(arguments) is tuple else ()
    if len(inside) != 2:
        return None
    return inside[0], len(inside[1]) if is_any(type(inside[1]), (tuple, list)) else NONE


def in_batch(function: Any, arguments: Any) -> tuple[Any, int]:
    """Return (the callable that a task is named for, its size): a batch counts its calls."""
    layer = function
    for _ in range(LAYERS):
        if not class_module(type(layer)).startswith(JOBLIB):
            break
        names = attributes_of(layer)
        calls = names.get("items")
        if type(calls) is list and calls and type(calls[0]) is tuple and calls[0]:
            return calls[0][0], len(calls)
        layer = names.get("func")
    return in_call(function, arguments), NONE


def in_call(function: Any, arguments: Any) -> Any:
    """Return the callable that a call is named for: that inside a library's wrapper or a context.

    A wrapper that holds no known callable comes back in a partial. Its name is the same, but it
    is not remembered by its identity, because the next call of it may hold one.
    """
    while type(arguments) is tuple and arguments and runs_in_context(function):
        function, arguments = arguments[0], arguments[1:]
    known = wrappers.get(id(function))
    if known is None:
        return function
    inside = known[1](arguments)
    return inside if callable(inside) else partial(function)


def in_item(item: Any) -> Any:
    """Return what an item of a queue is named for.

    That is its callable (the item itself, or the first of a tuple; after a context the second), the
    callable inside an item of a known library, or the item's type.
    """
    if callable(item):
        return item
    if issubclass(type(item), tuple) and tuple.__len__(item):
        first = tuple.__getitem__(item, 0)
        if type(first) is Context and tuple.__len__(item) > 1:
            first = tuple.__getitem__(item, 1)
        if callable(first):
            return first
    known = items.get(id(type(item)))
    inside = None if known is None else known[1](item)
    return type(item) if inside is None else inside


def named_for(item: Any) -> Any:
    """Return the same, and for the `run` of a context what it runs.

    Such an item is (run, function, argument, ...) or (run, (function, argument, ...)).
    """
    function = in_item(item)
    if not issubclass(type(item), tuple) or type(function) is not BuiltinFunctionType:
        return function
    arguments = tuple.__getitem__(item, slice(1, None))
    inside = called_by(function, arguments)
    return called_by(function, inside) if type(inside) is tuple else inside
