"""Threads of the program's own with odd targets and names, served by a queue."""

import queue
import threading
from functools import partial

jobs, done = queue.Queue(), []


def serve(*given):
    while (item := jobs.get()) is not None:
        done.append(item)
        jobs.task_done()


class Callable:
    def __getattr__(self, name):
        raise RuntimeError(name)

    def __call__(self):
        serve()


class Own(threading.Thread):
    @property
    def name(self):
        raise RuntimeError("name")

    @property
    def ident(self):
        raise RuntimeError("ident")

    def run(self):
        serve()


class Named(str):
    __slots__ = ()

    def encode(self, *given):
        raise RuntimeError("encode")

    def __format__(self, how):
        raise RuntimeError("format")


class Method:
    def go(self):
        serve()


def start(thread):
    threads.append(thread)
    thread.start()


threads = []
start(threading.Thread(target=Callable()))
start(threading.Thread(target=partial(serve, 1), name="\ud800"))
start(threading.Thread(target=Method().go))
odd = threading.Thread(target=serve)
odd._name = Named("odd")
start(odd)
own = threading.Thread(target=serve)
own.__class__ = Own
own.start()
for number in range(50):
    jobs.put(number)
jobs.join()
for _ in range(5):
    jobs.put(None)
for thread in threads:
    thread.join()
print(sorted(done) == list(range(50)))
