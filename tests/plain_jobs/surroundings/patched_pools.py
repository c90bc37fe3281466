"""A library wraps the pools' methods itself, before and after they are used, and takes that
back.
"""

import queue
import threading
from concurrent.futures import ThreadPoolExecutor, thread

calls = []
submit, run, put = ThreadPoolExecutor.submit, thread._WorkItem.run, queue.Queue._put


def new_submit(self, function, /, *arguments, **keywords):
    calls.append("submit")
    return submit(self, function, *arguments, **keywords)


def new_run(self, *given):
    calls.append("run")
    return run(self, *given)


def new_put(self, item):
    calls.append("put")
    put(self, item)


with ThreadPoolExecutor(1) as pool:
    print(pool.submit(abs, -1).result())
    ThreadPoolExecutor.submit, thread._WorkItem.run, queue.Queue._put = new_submit, new_run, new_put
    print(pool.submit(abs, -2).result())
    jobs, done = queue.Queue(), []
    served = threading.Thread(target=lambda: done.append(jobs.get()))
    served.start()
    jobs.put(1)
    served.join()
    ThreadPoolExecutor.submit, thread._WorkItem.run, queue.Queue._put = submit, run, put
    print(pool.submit(abs, -3).result())
print(calls, done)
