"""Libraries that hand in a function or an object of their own, with the job's callable inside.

Each is known by its module, once the job has loaded it; nothing is imported and nothing is changed
here. What looks different from the known code is left as it is: its tasks then have the name of the
library's function.

* dask's threads run ``batch_execute_tasks([(key, (node, data), ...), ...])``, where a node is a
  `Task` with its function in a slot, in former versions a tuple that begins with the function
  (dask 2023.5 to 2026.8, local.py, _task_spec.py). Its process scheduler pickles the node first.
* pebble's threads take `Task` objects, whose payload has the function (pebble 5.0 to 5.2,
  pool/base_pool.py, pool/thread.py).
"""

from __future__ import annotations

from functools import partial
from types import BuiltinFunctionType, FunctionType, MethodType
from typing import Any

from .._job_objects import class_module, is_any, stored_in, text
from ._calls import Inside, items, wrappers

DASK = "dask."
DASK_LAYERS = 6
"""So many nodes inside each other are opened."""
SEVERAL_NODES = "dask._task_spec._execute_subgraph"
COLLECTING = (
    "dask._task_spec.NestedContainer.to_container",
    "dask._task_spec._identity_cast",
    "dask._task_spec._to_dict",
)
"""They make a list or a dictionary of the results of other nodes."""
FUNCTIONS = (FunctionType, BuiltinFunctionType, MethodType, partial)
"""What dask's own functions are given to call; a class may be given for another purpose."""


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
    if issubclass(type(payload), tuple) and tuple.__len__(payload) > 1:
        function, arguments = tuple.__getitem__(payload, slice(0, 2))
    else:
        function, arguments = stored_in(payload, "function"), stored_in(payload, "args")
    known = wrappers.get(id(function))
    return function if known is None else known[1](arguments)


def _in_dask_batch(arguments: Any) -> Any:
    batch = _first(arguments)
    call = batch[0] if type(batch) is list and batch else None
    work = call[1] if type(call) is tuple and len(call) > 1 else None
    return _in_dask_node(_first(work))


def _in_dask_node(node: Any) -> Any:
    """Return the function of a node of dask's graph; of one made of several, that of the last.

    Dask's own functions call one that they are given, or use the result of a node inside.
    """
    found = None
    for _ in range(DASK_LAYERS):
        function, arguments = _call_of(node)
        if function is None:
            return found or (type(node) if _is_dasks(node) else None)
        found, name = function, _dask_name(function)
        if not name:
            break
        if name == SEVERAL_NODES:
            node = _result_of(arguments)
            continue
        inside = next((one for one in arguments if _is_call(one)), None)
        if is_any(type(inside), FUNCTIONS):
            return inside
        node = inside
        if inside is None:
            break
    return found


def _call_of(node: Any) -> tuple[Any, tuple[Any, ...]]:
    """Return (the function, its arguments) of a node; (None, ()) of one that calls nothing."""
    if type(node) is tuple:
        return (node[0], node[1:]) if node and callable(node[0]) else (None, ())
    if not _is_dasks(node):
        return None, ()
    arguments = stored_in(node, "args")
    return stored_in(node, "func"), arguments if type(arguments) is tuple else ()


def _is_dasks(node: Any) -> bool:
    return class_module(type(node)).startswith(DASK)


def _is_call(argument: Any) -> bool:
    """Return whether an argument is a function, or a node that calls one for a result."""
    if is_any(type(argument), FUNCTIONS):
        return True
    function, _ = _call_of(argument)
    return function is not None and _dask_name(function) not in COLLECTING


def _dask_name(function: Any) -> str:
    """Return the name of a function of dask's own, empty for any other callable."""
    module = text(function.__module__) if type(function) is FunctionType else ""
    return f"{module}.{text(function.__qualname__)}" if module.startswith(DASK) else ""


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
