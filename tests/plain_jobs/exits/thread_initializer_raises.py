"""An initializer of a thread pool raises: the pool is broken and says so in the usual words."""

import threading
from concurrent.futures import ThreadPoolExecutor
from concurrent.futures.thread import BrokenThreadPool

go_on = threading.Event()


def refuse():
    go_on.wait()
    raise ValueError("not ready")


pool = ThreadPoolExecutor(1, initializer=refuse)
futures = [pool.submit(abs, -1) for _ in range(3)]
go_on.set()
for future in futures:
    print(repr(future.exception()))
try:
    pool.submit(abs, -1)
except BrokenThreadPool as error:
    print(error)
