"""Pools are shut down without waiting, dropped, and made anew, hundreds of times."""

import gc
import threading
import time
from concurrent.futures import ThreadPoolExecutor

futures = []
for number in range(300):
    pool = ThreadPoolExecutor(1)
    futures.append(pool.submit(abs, -number))
    if number % 2:
        pool.shutdown(wait=False)
    del pool
gc.collect()
print(sum(future.result(10) for future in futures))
deadline = time.monotonic() + 10
while threading.active_count() > 1 and time.monotonic() < deadline:
    time.sleep(0.01)
print(threading.active_count())
