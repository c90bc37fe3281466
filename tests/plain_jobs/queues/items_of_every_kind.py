"""Items that are odd: with odd truth, length, hash and class, mocks, generators, exceptions, weak
ones.
"""

import queue
import threading
from unittest import mock


class Odd(tuple):
    __slots__ = ()

    def __bool__(self):
        raise RuntimeError("bool")

    def __getitem__(self, index):
        raise RuntimeError("getitem")

    def __len__(self):
        raise RuntimeError("len")

    def __iter__(self):
        raise RuntimeError("iter")

    def __eq__(self, other):
        raise RuntimeError("equal")

    __hash__ = None


jobs, done = queue.Queue(), []
stop = object()


def serve():
    while (item := jobs.get()) is not stop:
        done.append(type(item))
        jobs.task_done()


magic = mock.MagicMock()
items = [
    Odd((abs,)),
    magic,
    (magic, 1),
    (number for number in ()),
    ValueError(),
    None,
    (),
    (None,),
    [abs],
    0,
]
thread = threading.Thread(target=serve)
thread.start()
for item in items:
    jobs.put(item)
    jobs.join()
jobs.put(stop)
thread.join()
print([kind.__name__ for kind in done], magic.mock_calls, sorted(magic._mock_children))
