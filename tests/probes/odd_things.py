"""A module of jobs: objects that note each of their methods that is called.

`ran` has the name of every special method, property or metaclass method that ran. The job reads it:
methods that run without the probe too prove nothing.
"""

ODD_THINGS = """
import functools, queue, sys, threading, types
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing.pool import ThreadPool
import multiprocessing

ran = []
EXISTING = [
    "__getattribute__", "__hash__", "__eq__", "__repr__", "__str__", "__format__", "__setattr__",
]
MADE_UP = {
    "__len__": 1, "__bool__": True, "__getitem__": 0, "__iter__": iter(()), "__contains__": False,
    "__index__": 1, "__int__": 1,
}

class Meta(type):
    def __getattribute__(cls, name):
        ran.append("class " + name)
        return type.__getattribute__(cls, name)
    def __hash__(cls):
        ran.append("class hash")
        return 5
    def __eq__(cls, other):
        ran.append("class eq")
        return cls is other
    def __repr__(cls):
        ran.append("class repr")
        return "odd"
    def __instancecheck__(cls, thing):
        ran.append("class instancecheck")
        return False
    def __subclasscheck__(cls, other):
        ran.append("class subclasscheck")
        return False

def spying(name, theirs):
    def method(self, *arguments):
        ran.append(name)
        return theirs(self, *arguments)
    return method

def odd_class(name, base, **more):
    names = {each: spying(each, getattr(base, each)) for each in EXISTING}
    for each, value in MADE_UP.items():
        theirs = getattr(base, each, lambda self, *arguments, value=value: value)
        names[each] = spying(each, theirs)
    def missing(self, name):
        ran.append("missing " + name)
        raise AttributeError(name)
    def own_class(self):
        ran.append("__class__")
        return type(self)
    names.update({"__getattr__": missing, "__class__": property(own_class), **more})
    return Meta(name, (base,), names)

Called = odd_class("Called", object, __call__=lambda self, *arguments: "called")
Text, Whole, Pair, Thing, Partial = (
    odd_class(base.__name__, base) for base in (str, int, tuple, object, functools.partial)
)

def named_oddly(*arguments):
    return "named oddly"

named_oddly.__module__, named_oddly.__qualname__ = Text("module"), Text("name")

def of_no_module(*arguments):
    return "of no module"

of_no_module.__module__ = Thing()

class Class(metaclass=Meta):
    def __init__(self, *arguments):
        pass
    def method(self, *arguments):
        return "method"
    @classmethod
    def of_class(cls, *arguments):
        return "of class"

class List(list, metaclass=Meta):
    pass

CALLABLES = {
    "instance": Called(),
    "partial of a subclass": Partial(of_no_module),
    "function named oddly": named_oddly,
    "function of no module": of_no_module,
    "class": Class,
    "method": Class().method,
    "class method": Class.of_class,
    "method written in C": List().append,
    "method of an instance": types.MethodType(Called(), 3),
    "partial of an instance": functools.partial(Called()),
}

def say(label):
    seen, ran[:] = list(ran), []
    print(label, seen)
"""
