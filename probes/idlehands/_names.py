"""What a task is called: the qualified name of its callable, never its arguments."""

from __future__ import annotations

import sys
from functools import partial
from types import FunctionType
from typing import Any

LONGEST_NAME = 200


def unwrapped(function: Any) -> Any:
    """Return the callable inside any number of `functools.partial`."""
    while isinstance(function, partial):
        function = function.func
    return function


def name_of(function: Any) -> str:
    """Return ``module.qualified_name`` of a callable, of its type where it has no name itself."""
    function = unwrapped(function)
    named = function if isinstance(getattr(function, "__qualname__", None), str) else type(function)
    module = getattr(named, "__module__", None)
    name = named.__qualname__
    return (f"{module}.{name}" if isinstance(module, str) else str(name))[:LONGEST_NAME]


def is_lasting(function: Any) -> bool:
    """Say whether a function is a global of its module, which so keeps it."""
    if type(function) is not FunctionType:
        return False
    module = sys.modules.get(function.__module__)
    return getattr(module, function.__qualname__, None) is function
