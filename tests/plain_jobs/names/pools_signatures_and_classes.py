"""What a program can see of the pools' own classes: signatures, names, subclasses and their
state.
"""

import inspect
import queue
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor, thread
from multiprocessing import pool as pools

for cls in (ThreadPoolExecutor, ProcessPoolExecutor, pools.Pool, pools.ThreadPool, queue.Queue):
    for name in (
        "__init__",
        "submit",
        "map",
        "shutdown",
        "get",
        "put",
        "apply_async",
        "_get",
        "_put",
    ):
        if hasattr(cls, name):
            print(
                cls.__name__,
                name,
                inspect.signature(getattr(cls, name)),
                getattr(cls, name).__qualname__,
            )
print(inspect.signature(thread._WorkItem.run), thread._WorkItem.run.__qualname__)
print(thread._WorkItem.run.__module__, inspect.getsourcelines(queue.Queue.get)[1] > 0)
print([cls.__name__ for cls in Executor.__subclasses__()])
print([cls.__name__ for cls in queue.Queue.__subclasses__()])
with ThreadPoolExecutor(1) as pool:
    print(pool.submit(abs, -1).result(), sorted(vars(pool)))
jobs = queue.Queue()
print(sorted(vars(jobs)))
