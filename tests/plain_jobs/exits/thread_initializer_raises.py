"""An initializer of a thread pool raises: the pool is broken and says so in the usual words."""

from concurrent.futures import ThreadPoolExecutor
from concurrent.futures.thread import BrokenThreadPool


def refuse():
    raise ValueError("not ready")


pool = ThreadPoolExecutor(1, initializer=refuse)
futures = []
try:
    for _ in range(3):
        futures.append(pool.submit(abs, -1))
except BrokenThreadPool as error:
    print(error)
for future in futures[:1]:
    print(repr(future.exception()))
