"""The pools' modules are loaded again, and taken out of sys.modules and imported anew."""

import importlib
import queue
import sys
import threading
from concurrent.futures import thread

with thread.ThreadPoolExecutor(1) as pool:
    print(pool.submit(abs, -1).result())
importlib.reload(queue)
importlib.reload(thread)
with thread.ThreadPoolExecutor(1) as pool:
    print(pool.submit(abs, -2).result())
for name in ("queue", "concurrent.futures.thread"):
    del sys.modules[name]
import concurrent.futures.thread
import queue as again

with concurrent.futures.thread.ThreadPoolExecutor(1) as pool:
    print(pool.submit(abs, -3).result())
jobs, done = again.Queue(), []
served = threading.Thread(target=lambda: done.append(jobs.get()))
served.start()
jobs.put(1)
served.join()
print(done, again is queue)
