"""Functions of the standard library that are known here word for word.

A hook around a function adds its frame to the traceback of whatever the function raises, and a call
to what it costs. So a function whose code is known here is replaced by one that does the same and
records; the code of that says that it is the library's, line by line, so that a traceback reads as
ever.
"""

from __future__ import annotations

import dis
import textwrap
from types import CodeType, FunctionType
from typing import Any

ALIKE = ("co_code", "co_names", "co_varnames", "co_consts", "co_argcount")


def is_known(function: Any, source: str) -> bool:
    """Say whether a function's code is that of `source`, its docstring left aside."""
    if type(function) is not FunctionType:
        return False
    code = function.__code__
    # One that was left out (python -OO) leaves a trace in the code of some Pythons.
    for documentation in {function.__doc__, function.__doc__ or "left out"}:
        known = _compiled(source, function, {}, documentation).__code__
        if all(getattr(code, part) == getattr(known, part) for part in ALIKE):
            return True
    return False


def stand_in(
    theirs: FunctionType, known: str, ours: str, anchors: tuple[str, str], names: dict[str, Any]
) -> FunctionType:
    """Return the function of the source `ours`, to be put in the place of `theirs`.

    known: the source of theirs, which `is_known` has found to be alike. anchors: a line of theirs
    and the one of ours that does what it does, and whose exceptions pass: they have the same place
    in tracebacks. names: what `ours` finds as globals.
    """
    function = _compiled(ours, theirs, names, theirs.__doc__)
    code = function.__code__
    there = _first_line_inside(theirs.__code__) + _line_of(anchors[0], known)
    here = _first_line_inside(code) + _line_of(anchors[1], ours)
    function.__code__ = code.replace(
        co_filename=theirs.__code__.co_filename,
        co_firstlineno=code.co_firstlineno + there - here,
    )
    function.__qualname__ = theirs.__qualname__
    return function


def _compiled(
    source: str, like: FunctionType, names: dict[str, Any], documentation: str | None
) -> FunctionType:
    """Return the function of a source, compiled in a class as `like` is, and with a docstring."""
    head, _, body = source.strip().partition("\n")
    documented = "" if documentation is None else f"    {documentation!r}\n"
    cls = like.__qualname__.partition(".")[0]
    # Compiled with its docstring, which in some Pythons takes the first place among the constants.
    text = f"class {cls}:\n" + textwrap.indent(f"{head}\n{documented}{body}", "    ")
    namespace = {**names, "__name__": like.__module__}
    exec(compile(text, __file__, "exec", dont_inherit=True), namespace)  # noqa: S102 - text of ours
    function: FunctionType = vars(namespace[cls])[like.__name__]
    return function


def _first_line_inside(code: CodeType) -> int:
    lines = [line for _, line in dis.findlinestarts(code) if line is not None]
    return min(line for line in lines if line > code.co_firstlineno)


def _line_of(anchor: str, source: str) -> int:
    """Return how many lines a line is behind the one that begins the function."""
    lines = [line.strip() for line in source.strip().splitlines()]
    return lines.index(anchor)
