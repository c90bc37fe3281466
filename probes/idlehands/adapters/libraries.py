"""Libraries that hand in a function or an object of their own, with the job's callable inside.

Each is known by its module, once the job has loaded it; nothing is imported and nothing is changed
here. What looks different from the known code is left as it is: its tasks then have the name of the
library's function.

* dask's threads run ``batch_execute_tasks([(key, (node, data), ...), ...])``, where a node is a
  `Task` with its function in a slot, before version 2024.12 a tuple that begins with the function
  (dask 2023.5 to 2026.3, local.py, _task_spec.py). Its process scheduler pickles the node first.
* pebble's threads take `Task` objects, whose payload has the function (pebble 5.0 to 5.2,
  pool/base_pool.py, pool/thread.py).
"""

from __future__ import annotations

from types import FunctionType
from typing import Any

from .._job_objects import class_module, stored_in, text
from ._calls import Inside, items, wrappers

DASK_LAYERS = 4
"""A task that is made of tasks, which may be again."""


def unfamiliar(module: Any) -> str:
    """Return nothing: a library that is not recognised loses no more than the names of tasks."""
    return ""


def hook(module: Any) -> None:
    """Know the functions and classes of a library."""
    names = vars(module)
    if module.__name__ == "dask.local":
        _know_function(names.get("batch_execute_tasks"), _in_dask_batch)
    else:
        _know_function(names.get("process_chunk"), _first)
        task = names.get("Task")
        if issubclass(type(task), type):
            items[id(task)] = task, _in_pebble_task


def _know_function(function: Any, inside: Inside) -> None:
    if type(function) is FunctionType:
        wrappers[id(function)] = function, inside


def _first(arguments: Any) -> Any:
    return arguments[0] if type(arguments) is tuple and arguments else None


def _in_pebble_task(task: Any) -> Any:
    payload = stored_in(task, "payload")
    if not issubclass(type(payload), tuple) or tuple.__len__(payload) < 2:
        return None
    function, arguments = tuple.__getitem__(payload, slice(0, 2))
    known = wrappers.get(id(function))
    return function if known is None else known[1](arguments)


def _in_dask_batch(arguments: Any) -> Any:
    batch = _first(arguments)
    call = batch[0] if type(batch) is list and batch else None
    work = call[1] if type(call) is tuple and len(call) > 1 else None
    return _in_dask_node(_first(work))


def _in_dask_node(node: Any) -> Any:
    """Return the function of a node of dask's graph; of one made of several, that of the last."""
    for _ in range(DASK_LAYERS):
        if type(node) is tuple:
            function, arguments = _first(node), node[1:]
        elif class_module(type(node)).startswith("dask."):
            function, arguments = stored_in(node, "func"), stored_in(node, "args")
        else:
            return None
        name = _dask_name(function)
        if name == "dask.utils.apply":
            return _first(arguments)
        if name != "dask._task_spec._execute_subgraph":
            return function
        node = _result_of(arguments)
    return None


def _dask_name(function: Any) -> str:
    if type(function) is not FunctionType:
        return ""
    return f"{text(function.__module__)}.{text(function.__qualname__)}"


def _result_of(arguments: Any) -> Any:
    """Return the node with the result, from (the nodes by their keys, the result's key, ...)."""
    if type(arguments) is not tuple or len(arguments) < 2:
        return None
    nodes, key = arguments[:2]
    nodes = nodes if type(nodes) is dict else stored_in(nodes, "value")
    if type(nodes) is not dict:
        return None
    values = list(nodes.values())
    # Not by its key, which may be an object of the job's.
    return next((node for node in values if stored_in(node, "key") is key), values[-1:][0])
