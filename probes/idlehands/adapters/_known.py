"""Functions of the standard library that are known here word for word.

A hook around a function adds a frame to the traceback of each exception of the function, and a call
to its cost. So a function whose code is known here is replaced by one that does the same and
records. Its code carries the file name and the line numbers of the library's, so that tracebacks
read the same.
"""

from __future__ import annotations

import dis
import textwrap
from types import CodeType, FunctionType
from typing import Any

ALIKE = ("co_code", "co_names", "co_varnames", "co_consts", "co_argcount")


def is_known(function: Any, source: str) -> bool:
    """Return whether a function's code is that of `source`, apart from its docstring."""
    if type(function) is not FunctionType:
        return False
    code = function.__code__
    # In some Pythons a docstring that was left out (python -OO) still changes the code.
    for documentation in {function.__doc__, function.__doc__ or "left out"}:
        known = _compiled(source, function, {}, documentation).__code__
        if all(getattr(code, part) == getattr(known, part) for part in ALIKE):
            return True
    return False


def stand_in(
    theirs: FunctionType, known: str, ours: str, anchors: tuple[str, str], names: dict[str, Any]
) -> FunctionType:
    """Return the function of the source `ours`, to be put in the place of `theirs`.

    Args:
        theirs: the library's function.
        known: its source, as `is_known` has confirmed.
        ours: the source of the function that is to stand in.
        anchors: a line of theirs and the line of ours that does the same and passes exceptions on:
            both get the same place in tracebacks.
        names: the globals of `ours`.
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
