"""What the probe may read of the job's objects without running a line of the job's.

Reading an attribute can run code of the job's: a property, a ``__getattr__``, a metaclass, a module
that loads itself when it is touched. Nothing here runs such code. The functions use the type that
an object really has, read what the interpreter itself stores, through the descriptors of the
built-in types, and accept as text only what is text (Python's data model, "Special method lookup"
and "Invoking descriptors").
"""

from __future__ import annotations

import operator
from types import GetSetDescriptorType, MemberDescriptorType
from typing import Any, Callable

WRITTEN_IN_PYTHON = 1 << 9
"""The flag of a type that Python code made (CPython, Include/object.h, Py_TPFLAGS_HEAPTYPE)."""

bases_of: Callable[[type], tuple[type, ...]] = type.__dict__["__mro__"].__get__
"""The classes in which an attribute of a class's instances is looked for."""
names_of_class: Callable[[type], Any] = type.__dict__["__dict__"].__get__
"""What a class itself defines."""
_qualified: Callable[[type], Any] = type.__dict__["__qualname__"].__get__
_module: Callable[[type], Any] = vars(type)["__module__"].__get__
_flags: Callable[[type], int] = type.__dict__["__flags__"].__get__
_arguments_of: Callable[[BaseException], Any] = BaseException.__dict__["args"].__get__


def is_any(cls: type, classes: tuple[type, ...]) -> bool:
    """Return whether a class is one of these; ``in`` would call the `__eq__` of a metaclass."""
    return any(cls is one for one in classes)


def text(value: object) -> str:
    """Return a value if it is text, as a plain string, and "" for anything else."""
    if type(value) is str:
        return value
    return str.__str__(value) if issubclass(type(value), str) else ""


def whole(value: object) -> int | None:
    """Return a whole number as a plain one, None for anything else."""
    if issubclass(type(value), int):
        return int.__int__(value)  # type: ignore[arg-type]
    if not _flags(type(value)) & WRITTEN_IN_PYTHON:
        try:
            return operator.index(value)  # type: ignore[arg-type]
        except TypeError:
            pass
    return None


def is_set(value: object) -> bool:
    """Return whether a flag is set; an object of no plain type counts as set, and is not called."""
    return bool(value) if is_any(type(value), (bool, int, str, type(None))) else True


def type_name(cls: type) -> str:
    """Return the qualified name of a class, without its module."""
    return text(_qualified(cls))


def class_module(cls: type) -> str:
    """Return the name of the module that a class is of."""
    return text(_module(cls))


def reason_of(error: BaseException) -> str:
    """Return the text of an exception, as far as that runs no code of the job's."""
    arguments = _arguments_of(error)
    message = text(arguments[0]) if len(arguments) == 1 else ""
    return f"{type_name(type(error))}: {message}" if message else type_name(type(error))


def attributes_of(thing: object) -> dict[str, Any]:
    """Return an object's own attributes, by name; empty where it keeps none in a dictionary."""
    for cls in bases_of(type(thing)):
        found = names_of_class(cls).get("__dict__")
        if found is not None:
            stored = found.__get__(thing) if type(found) is GetSetDescriptorType else None
            return stored if type(stored) is dict else {}
    return {}


def defined(cls: type, name: str) -> Any:
    """Return what a class's instances find under a name in their classes, None without any."""
    for base in bases_of(cls):
        names = names_of_class(base)
        if name in names:
            return names[name]
    return None


def stored_in(thing: object, name: str) -> Any:
    """Return an attribute that an object itself stores, in a slot or its dictionary; else None."""
    slot = defined(type(thing), name)
    if type(slot) is MemberDescriptorType:
        try:
            return slot.__get__(thing)
        except AttributeError:  # nothing is in the slot
            return None
    return attributes_of(thing).get(name)
