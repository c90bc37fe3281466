"""shutdown(cancel_futures=True) drops what is queued, in thread and in process pools."""

import threading
import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor

if __name__ == "__main__":
    inside, go_on = threading.Event(), threading.Event()
    pool = ThreadPoolExecutor(1)
    first = pool.submit(lambda: (inside.set(), go_on.wait()))
    inside.wait()
    futures = [pool.submit(abs, -n) for n in range(50)]
    pool.shutdown(wait=False, cancel_futures=True)
    go_on.set()
    pool.shutdown()
    print(first.done(), all(future.cancelled() for future in futures))
    processes = ProcessPoolExecutor(1)
    futures = [processes.submit(time.sleep, 0.05) for _ in range(30)]
    futures[0].result()
    processes.shutdown(cancel_futures=True)
    print(any(future.cancelled() for future in futures), all(future.done() for future in futures))
