"""loky's `ProcessPoolExecutor`, its reusable one included, and the copy that joblib carries.

loky descends from the standard library's executor and keeps its queues and their names (loky 3.4
to 3.7, process_executor.py), so it is hooked in the same places. The classes of its queues are
its own; those made of them here are found by name in worker processes, which import this module.
"""

from __future__ import annotations

import importlib
from typing import Any

from ._executors import QUEUES, Executors
from ._instrumented import instances_of, instrument, missing_names
from ._process_queues import Calls, Results

VENDORS = {"loky": "Loky", "joblib.externals.loky": "Joblib"}


def unfamiliar(module: Any) -> str:
    """Return how the module differs from the known code, empty where it does not."""
    executor = module.ProcessPoolExecutor
    return (
        missing_names(executor.__init__, "_work_ids", "_pending_work_items", "_setup_queues")
        or missing_names(executor._setup_queues, *QUEUES[:2])
        or missing_names(executor.submit, "_pending_work_items", "_work_ids", "_queue_count")
        or missing_names(module._process_worker, "call_queue", "get", "result_queue", "put")
        or missing_names(module._CallItem.__init__, "work_id")
        or missing_names(module._process_chunk, "fn", "chunk")
    )


def hook(module: Any) -> None:
    """Hook every executor that is made from now on, and those that have no worker process yet."""
    vendor = VENDORS[module.__name__.rpartition(".")[0]]
    ours = _class(vendor + "Calls"), _class(vendor + "Results")
    calls, results = ((cls.__bases__[-1], cls) for cls in ours)
    executors = Executors("loky pool", module, calls, results)
    instrument(module.ProcessPoolExecutor, **executors.attributes())
    executors.adopt(instances_of(module.ProcessPoolExecutor))


def __getattr__(name: str) -> Any:
    if not name.endswith(("Calls", "Results")):
        raise AttributeError(name)
    return _class(name)


def _class(name: str) -> type:
    """Return the queue class of that name, made from its vendor's the first time."""
    made: type | None = globals().get(name)
    if made is None:
        package = next(package for package, vendor in VENDORS.items() if name.startswith(vendor))
        module = importlib.import_module(f"{package}.process_executor")
        bases: tuple[type, ...]
        if name.endswith("Calls"):
            bases = (Calls, module._SafeQueue)
            item = module._CallItem
        else:
            queues = importlib.import_module(f"{package}.backend.queues")
            bases = (Results, queues.SimpleQueue)
            item = module._ResultItem
        made = type(name, bases, {"__module__": __name__, "known_item": item})
        globals()[name] = made
    return made
