"""Functions of `os` for which the probe's thread makes way.

The replacement is set in `os` and in the module that `os` has the function from, where `pickle`
looks it up by name.
"""

from __future__ import annotations

import functools
import os
import sys
from typing import Any, Callable


def surround(name: str, before: Callable[[], bool], after: Callable[[], None]) -> None:
    """Have `before` called ahead of `os.<name>`, and `after` behind it if `before` returned true.

    Does nothing where there is no such function, or where it is surrounded already.
    """
    call: Any = getattr(os, name, None)
    if call is None or hasattr(call, "__wrapped__"):
        return

    @functools.wraps(call)
    def surrounded(*arguments: Any, **named: Any) -> Any:
        is_after = before()
        try:
            return call(*arguments, **named)
        finally:
            if is_after:
                after()

    for module in (os, sys.modules.get(call.__module__)):
        if module is not None and getattr(module, name, None) is call:
            setattr(module, name, surrounded)
