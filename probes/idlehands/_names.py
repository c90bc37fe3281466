"""The name of a task: the qualified name of its callable, never its arguments.

Tasks are objects of the job's. They are read as `_job_objects` does it, which runs no code of
theirs.
"""

from __future__ import annotations

import sys
import weakref
from contextvars import Context
from functools import partial
from types import (
    BuiltinFunctionType,
    ClassMethodDescriptorType,
    CodeType,
    FunctionType,
    GetSetDescriptorType,
    MemberDescriptorType,
    MethodDescriptorType,
    MethodType,
    MethodWrapperType,
    ModuleType,
    WrapperDescriptorType,
)
from typing import Any, Callable

from ._job_objects import attributes_of, class_module, defined, is_any, text, type_name

LONGEST_NAME = 200
MOST_UNWRAPPED = 100
"""A partial can be made to contain itself."""
MOST_DECORATORS = 10
"""A function can be made to decorate itself; and no hook may call deep, see `adapters._guard`."""
HOLDERS = {
    "joblib.memory.NotMemorizedFunc": "func",
    "joblib.externals.loky.cloudpickle_wrapper.CallableObjectWrapper": "_obj",
    "loky.cloudpickle_wrapper.CallableObjectWrapper": "_obj",
}
"""Objects of libraries that call the callable in one of their attributes, and do not bear its name
(joblib 1.3 to 1.6, memory.py; loky 3.4 to 3.7, cloudpickle_wrapper.py)."""
MOST_NAMES = 1 << 12
OF_A_TYPE = (
    ClassMethodDescriptorType,
    MethodDescriptorType,
    MethodWrapperType,
    WrapperDescriptorType,
)
"""Callables written in C that belong to a type, as ``str.upper`` does."""
FIELDS = (GetSetDescriptorType, MemberDescriptorType)
COMPILED = ("cython_function_or_method", "fused_cython_function")
"""Cython's functions, whose names are fields of a C structure."""
_dictionary_at: Callable[[type], int] = type.__dict__["__dictoffset__"].__get__
_names_of_module: Callable[[Any], Any] = vars(ModuleType)["__dict__"].__get__
_inside_partial: Callable[[Any], Any] = partial.__dict__["func"].__get__
_given_to_partial: Callable[[Any], Any] = partial.__dict__["args"].__get__
_names: dict[int, tuple[object, object, object, str]] = {}
_classes: dict[int, tuple[Callable[[], object], str, Callable[[Any], str]]] = {}


def writable(name: str) -> str:
    """Return a name no longer than names may be, without what cannot be written as UTF-8."""
    name = name[:LONGEST_NAME]
    return name if name.isascii() else name.encode("utf-8", "replace").decode("utf-8")


def unwrapped(function: Any) -> Any:
    """Return the callable inside any number of `functools.partial` and bound methods."""
    for _ in range(MOST_UNWRAPPED):
        if type(function) is MethodType:
            function = function.__func__
        elif issubclass(type(function), partial):
            arguments = _given_to_partial(function)
            function = called_by(_inside_partial(function), arguments)
        else:
            break
    return function


def called_by(function: Any, arguments: Any) -> Any:
    """Return the callable that a call is named for: the function, or what a context's `run` runs.

    `asyncio.to_thread` hands in ``partial(context.run, function, ...)`` (CPython,
    Lib/asyncio/threads.py, 3.9 to 3.15); others submit ``context.run`` with the function.
    """
    is_known = type(arguments) is tuple and arguments
    return arguments[0] if is_known and runs_in_context(function) else function


def runs_in_context(function: Any) -> bool:
    """Return whether a callable is the `run` of a context, which calls its first argument."""
    is_its = type(function) is BuiltinFunctionType and type(function.__self__) is Context
    return is_its and function.__name__ == "run"


def decorated_by(decorator: Any) -> Any:
    """Return the callable that a decorator's function or object calls, None where it tells none.

    `functools.update_wrapper` leaves it under ``__wrapped__`` (CPython, Lib/functools.py).
    """
    wrapped = attributes_of(decorator).get("__wrapped__")
    return wrapped if callable(wrapped) else None


def name_of(function: Any, layers: int = MOST_DECORATORS) -> str:
    """Return ``module.qualified_name`` of a callable, of its type where it has no name itself.

    So many `layers` of decorators that do not bear the name of what they call are looked into.
    """
    if type(function) is MethodType:
        function = function.__func__
    if type(function) is not FunctionType:
        function = unwrapped(function)
        if type(function) is not FunctionType:
            return _name_of_other(function, layers)
    name = function.__qualname__
    known = _names.get(id(function.__code__))
    if known is not None and known[1] is name and known[2] is function.__module__:
        return known[3]
    # A decorator that gave its function the name of what it decorates has said enough. Others share
    # one code and one name for all that they decorate, so no such name is remembered.
    if layers and text(name).rpartition(".")[2] == function.__code__.co_name:
        decorated = decorated_by(function)
        if decorated is not None:
            return name_of(decorated, layers - 1)
    return _remembered(function.__code__, name, function.__module__)


def _remembered(code: CodeType, name: object, module: object) -> str:
    """Return a function's name and keep it by the function's code.

    That keeps only the code alive, and not what the function closes over.
    """
    joined = _joined(text(module), text(name))
    if len(_names) < MOST_NAMES:
        _names[id(code)] = code, name, module, joined
    return joined


def _joined(module: str, name: str) -> str:
    return writable(f"{module}.{name}" if module else name)


def _name_of_other(thing: Any, layers: int) -> str:
    """Return the name of a callable that is neither a wrapper nor a function."""
    sort = type(thing)
    if issubclass(sort, BuiltinFunctionType):
        return _joined(text(thing.__module__), _builtin_name(thing))
    if issubclass(sort, type):
        return name_of_class(thing)
    if is_any(sort, OF_A_TYPE):
        return writable(f"{type_name(thing.__objclass__)}.{thing.__name__}")
    reference, of_class, own_name = _facts_of(sort)
    own = own_name(thing)
    if not own and own_name is _name_borne:
        called = _called_inside(thing, of_class)
        if layers and called is not None:
            return name_of(called, layers - 1)
        _classes[id(sort)] = reference, of_class, _no_name  # the other instances have none either
    return own or of_class


def _called_inside(thing: Any, of_class: str) -> Any:
    """Return the callable that an object calls and whose name it does not bear, None without
    any."""
    called = attributes_of(thing).get(HOLDERS.get(of_class, ""))
    return called if callable(called) else decorated_by(thing)


def _builtin_name(function: Any) -> str:
    """Return the qualified name of a function written in C, which may be bound to an object."""
    bound = function.__self__
    cls = bound if issubclass(type(bound), type) else type(bound)
    if type(cls) is type:  # then no metaclass of the job's is called
        qualified: str = function.__qualname__
        return qualified
    return f"{type_name(cls)}.{function.__name__}"


def name_of_class(cls: type) -> str:
    """Return ``module.qualified_name`` of a class."""
    return _facts_of(cls)[1]


def _facts_of(cls: type) -> tuple[Callable[[], object], str, Callable[[Any], str]]:
    """Return (a reference, the class's name, what names an instance), cached while the class
    lives."""
    known = _classes.get(id(cls))
    if known is not None and known[0]() is cls:
        return known
    facts = weakref.ref(cls), _joined(class_module(cls), type_name(cls)), _own_name(cls)
    if len(_classes) < MOST_NAMES or known is not None:
        _classes[id(cls)] = facts
    return facts


def _own_name(cls: type) -> Callable[[Any], str]:
    """Return a function that reads the own name of an instance of a class, "" without any.

    A wrapper often has the name of what it wraps (`functools.update_wrapper`).
    """
    name, module = defined(cls, "__qualname__"), defined(cls, "__module__")
    if is_any(type(name), FIELDS) and type_name(cls) in COMPILED:
        return lambda thing: _joined(text(module.__get__(thing)), text(name.__get__(thing)))
    # What the class has under the name comes first only if it is a descriptor.
    asked = name is not None or (module is not None and type(module) is not str)
    return _no_name if asked or not _dictionary_at(cls) else _name_borne


def _no_name(_thing: Any) -> str:
    return ""


def _name_borne(thing: Any) -> str:
    try:
        name = text(object.__getattribute__(thing, "__qualname__"))
        return name and _joined(text(object.__getattribute__(thing, "__module__")), name)
    except AttributeError:
        return ""


def is_lasting(thing: Any) -> bool:
    """Return whether a function or a class is a global of its module, which keeps it alive."""
    sort = type(thing)
    if sort is FunctionType:
        module, name = text(thing.__module__), text(thing.__qualname__)
    elif sort is BuiltinFunctionType:
        module, name = text(thing.__module__), thing.__name__
    elif issubclass(sort, type):
        module, name = class_module(thing), type_name(thing)
    else:
        return False
    loaded = sys.modules.get(module) if type(sys.modules) is dict else None
    if not issubclass(type(loaded), ModuleType):
        return False
    return _names_of_module(loaded).get(name) is thing
