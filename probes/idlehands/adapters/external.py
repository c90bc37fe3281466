"""Libraries whose worker processes no adapter knows: one warning that names the library.

They move their tasks through pipes of their own, so there is no known queue to hook.
"""

from __future__ import annotations

from typing import Any

MODULES = {"pebble.pool.process": "pebble", "mpire.pool": "mpire", "billiard.pool": "billiard"}
"""The library by its module with the pool of processes."""


def unfamiliar(module: Any) -> str:
    """Return the warning that the library's worker processes are not probed."""
    library = MODULES[module.__name__]
    return f"idlehands has no adapter for the worker processes of {library}"


def hook(module: Any) -> None:
    """Hook nothing."""


def is_helper(module: str) -> bool:
    """Return whether threads with a function of `module` serve such a pool and run no tasks."""
    return module in MODULES
