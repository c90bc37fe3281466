"""Threads that a job makes itself and feeds through a `queue.Queue`.

A thread that takes an item from such a queue becomes a worker of the queue's pool, if the thread
runs code of the job's (its target is not the standard library's or a pool's) and is no worker yet.
A task is an item other than None. It runs from the moment at which it is taken until `task_done`,
or until the thread asks for the next item. Its kind is the item's callable (the item itself, or the
first of a tuple), else the item's type. A queue of things that threads take, use and put back has
no pool, see `_queue_things`.

Hooked at the methods that `queue.Queue` and its derived classes call under their lock, and at
`task_done` (CPython, Lib/queue.py, 3.9 to 3.15): each is replaced by one that does the same and
records, see `_known`. Nothing is stored in a queue or an item. `_queue_tasks` does the recording.
"""

from __future__ import annotations

from collections.abc import Iterator
from threading import get_ident
from typing import Any, NamedTuple

from . import _queue_tasks as tasks
from ._instrumented import missing_names
from ._known import is_known, stand_in
from ._served_queues import Library

SIZE = "return len(self.queue)"
CREATED = """
def _init(self, maxsize):
    {init}
    try:
        created(self)
    except RecursionError:  # a full stack, here and below: the job's own call goes on all the same
        pass
"""
SIZED = """
def _qsize(self):
    if in_hand and ident() in in_hand:
        try:
            asked(self)
        except RecursionError:
            pass
    return len(self.queue)
"""
PUT = """
def _put(self, item):
    {put}
    if id(self) in served and item is not None:
        try:
            served[id(self)].put(self, item)
        except RecursionError:
            pass
"""
TAKEN = """
def _get(self):
    item = {get}
    if item is not None and (id(self) in served or not here.is_stranger):
        try:
            taken(self, item)
        except RecursionError:
            pass
    return item
"""
DONE = """
def task_done(self):
    with self.all_tasks_done:
        unfinished = self.unfinished_tasks - 1
        if unfinished <= 0:
            if unfinished < 0:
                raise ValueError('task_done() called too many times')
            self.all_tasks_done.notify_all()
        self.unfinished_tasks = unfinished
        if in_hand:
            try:
                ended(self)
            except RecursionError:
                pass
"""
KNOWN_DONE = DONE.replace(
    """        if in_hand:
            try:
                ended(self)
            except RecursionError:
                pass
""",
    "",
)
INIT, PUTS, GETS = ("self.queue = {}", "self.queue.append(item)", "return self.queue.{}()")
LINES = {
    "Queue": (INIT.format("deque()"), PUTS, GETS.format("popleft")),
    "LifoQueue": (INIT.format("[]"), PUTS, GETS.format("pop")),
    "PriorityQueue": (
        INIT.format("[]"),
        "heappush(self.queue, item)",
        "return heappop(self.queue)",
    ),
}
"""What each class does in ``_init``, ``_put`` and ``_get``."""


class Method(NamedTuple):
    """A method of a class of the module's: its source, ours, and the lines to align."""

    owner: str
    name: str
    known: str
    ours: str
    anchors: tuple[str, str]


def _methods() -> Iterator[Method]:
    for cls, (init, put, get) in LINES.items():
        took = get.replace("return ", "item = ")
        for name, arguments, line, ours, anchor in (
            ("_init", "self, maxsize", init, CREATED.format(init=init), init),
            ("_qsize", "self", SIZE, SIZED, SIZE),
            ("_put", "self, item", put, PUT.format(put=put), put),
            ("_get", "self", get, TAKEN.format(get=get[len("return ") :]), took),
        ):
            known = f"def {name}({arguments}):\n    {line}\n"
            yield Method(cls, name, known, ours, (line, anchor))
    raises = "raise ValueError('task_done() called too many times')"
    yield Method("Queue", "task_done", KNOWN_DONE, DONE, (raises, raises))


def unfamiliar(module: Any) -> str:
    """Return how the module differs from the known code, empty where it does not."""
    for method in _methods():
        function = vars(getattr(module, method.owner)).get(method.name)
        if not is_known(function, method.known):
            return f"{method.owner}.{method.name} is not known"
    return missing_names(module.Queue.get, "not_empty", "_qsize", "_get") or missing_names(
        module.Queue.put, "_put", "unfinished_tasks"
    )


def hook(module: Any) -> None:
    """Hook every queue of the module's own three classes, those in use included."""
    Library.queue = module.Queue
    Library.last_in_first_out = module.LifoQueue
    Library.get = module.Queue.get.__code__
    shutdown = vars(module.Queue).get("shutdown")  # from Python 3.13 on
    Library.shutdown = getattr(shutdown, "__code__", None)
    names = {**vars(tasks), "ident": get_ident}
    names.update({name: vars(module)[name] for name in ("deque", "heappop", "heappush")})
    for method in _methods():
        owner = getattr(module, method.owner)
        theirs = vars(owner)[method.name]
        ours = stand_in(theirs, method.known, method.ours, method.anchors, names)
        setattr(owner, method.name, ours)
        Library.methods.add(ours)
