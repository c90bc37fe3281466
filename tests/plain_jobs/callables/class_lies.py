"""A task, an item and a queue's entry that lie about their class or count who asks."""

import queue
import threading
from concurrent.futures import ThreadPoolExecutor

asked = []


class Liar:
    @property
    def __class__(self):
        asked.append("class")
        raise RuntimeError("class")

    @property
    def __qualname__(self):
        asked.append("qualname")
        raise RuntimeError("qualname")

    def __repr__(self):
        asked.append("repr")
        raise RuntimeError("repr")

    def __call__(self):
        return 1

    def __bool__(self):
        asked.append("bool")
        raise RuntimeError("bool")

    def __len__(self):
        asked.append("len")
        raise RuntimeError("len")


class LyingType(type):
    def __getattribute__(cls, name):
        if name in ("__qualname__", "__name__", "__module__", "__mro__", "__dict__"):
            asked.append("type " + name)
            raise RuntimeError(name)
        return type.__getattribute__(cls, name)

    def __instancecheck__(cls, instance):
        asked.append("instancecheck")
        raise RuntimeError("instancecheck")


class Odd(metaclass=LyingType):
    def __call__(self):
        return 2


jobs = queue.Queue()
done = []


def serve():
    while (item := jobs.get()) is not None:
        done.append(type(item))
        jobs.task_done()


with ThreadPoolExecutor(2) as pool:
    print([pool.submit(Liar()).result(5), pool.submit(Odd()).result(5)])
thread = threading.Thread(target=serve)
thread.start()
for item in (Liar(), Odd(), (Liar(), 1), (Odd(),), None):
    jobs.put(item)
thread.join()
print(len(done), asked)
