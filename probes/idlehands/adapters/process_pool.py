"""`concurrent.futures.ProcessPoolExecutor`.

Hooked where the executor stores its three queues (CPython, Lib/concurrent/futures/process.py, 3.9
to 3.13). A task is queued when its number is put into ``_work_ids``, and cancelled when a number
taken from there leads to no call. Its time in the queue ends when the worker process takes the
call. Its future says earlier that it runs: while the call is still in the pipe to the workers.
"""

from __future__ import annotations

from concurrent.futures.process import _CallItem, _ResultItem, _SafeQueue
from multiprocessing.queues import SimpleQueue
from typing import Any

from ._executors import QUEUES, Executors, broken_set
from ._instrumented import instances_of, instrument, missing_names
from ._process_queues import Calls, Results


def unfamiliar(module: Any) -> str:
    """Return how the module differs from the known code, empty where it does not."""
    executor = module.ProcessPoolExecutor
    return (
        missing_names(executor.__init__, *QUEUES, "_pending_work_items", "_max_workers")
        or missing_names(executor.submit, "_pending_work_items", "_work_ids", "_queue_count")
        or missing_names(module._process_worker, "call_queue", "get", "fn", "args")
        or missing_names(module._sendback_result, "_ResultItem", "put")
        or missing_names(module._CallItem.__init__, "work_id")
        or missing_names(module._process_chunk, "fn", "chunk")
    )


def hook(module: Any) -> None:
    """Hook every executor that is made from now on, and those that have no worker process yet."""
    calls, results = (_SafeQueue, InstrumentedCalls), (SimpleQueue, InstrumentedResults)
    executors = Executors("process pool", module, calls, results)
    instrument(module.ProcessPoolExecutor, **executors.attributes(), _broken=broken_set)
    executors.adopt(instances_of(module.ProcessPoolExecutor))


class InstrumentedCalls(Calls, _SafeQueue):
    """The queue of calls."""

    known_item = _CallItem


class InstrumentedResults(Results, SimpleQueue):  # type: ignore[type-arg]
    """The queue of results."""

    known_item = _ResultItem
