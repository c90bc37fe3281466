"""`multiprocess.Pool` and its `ThreadPool`, which pathos uses too.

multiprocess is the standard library's `multiprocessing` with another pickler: the same modules and
names (multiprocess 0.70.11 to 0.70.19, pool.py). So its pools are probed as those are; only the
queues are classes of its own. Those made of them here are found by name in worker processes, which
import this module.
"""

from __future__ import annotations

import importlib
from typing import Any

from . import multiprocessing_pool
from .multiprocessing_pool import OURS, Results, Tasks

unfamiliar = multiprocessing_pool.unfamiliar


def hook(module: Any) -> None:
    """Hook every pool that is made from now on."""
    OURS[_queue()] = _class("InstrumentedTasks"), _class("InstrumentedResults")
    multiprocessing_pool.hook(module)


def __getattr__(name: str) -> Any:
    if name not in ("InstrumentedTasks", "InstrumentedResults"):
        raise AttributeError(name)
    return _class(name)


def _queue() -> type:
    queue: type = importlib.import_module("multiprocess.queues").SimpleQueue
    return queue


def _class(name: str) -> type:
    """Return the queue class of that name, made the first time."""
    made: type | None = globals().get(name)
    if made is None:
        part = Tasks if name == "InstrumentedTasks" else Results
        made = globals()[name] = type(name, (part, _queue()), {"__module__": __name__})
    return made
