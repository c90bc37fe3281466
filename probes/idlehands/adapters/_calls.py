"""What a task calls, where it is handed in as something else: a chunk of `map`, a joblib batch.

No attribute of a task is read that could run code of the job's. Only objects of a class known here,
or of joblib's own, are opened, and only by their own attributes.
"""

from __future__ import annotations

from functools import partial
from typing import Any

from .._names import attributes_of, class_module, is_any
from .._tables import NONE

JOBLIB = "joblib."
LAYERS = 3
"""A wrapper around a batch, and another one around that."""


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


def in_batch(function: Any) -> tuple[Any, int]:
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
    return function, NONE
