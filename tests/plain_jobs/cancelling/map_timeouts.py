"""Executor.map with a timeout, as_completed with one, and generators that are dropped half read."""

import threading
from concurrent.futures import ThreadPoolExecutor, TimeoutError, as_completed, wait

go_on = threading.Event()
with ThreadPoolExecutor(1) as pool:
    results = pool.map(lambda number: number if number < 2 else go_on.wait(), range(5), timeout=0.1)
    print(next(results), next(results))
    try:
        next(results)
    except TimeoutError as error:
        print(repr(error))
    blocked = [pool.submit(abs, -1)]
    try:
        list(as_completed(blocked, timeout=0.05))
    except TimeoutError as error:
        print(error)
    print(wait(blocked, timeout=0.05).done)
    go_on.set()
    print(blocked[0].result())
    half = pool.map(abs, range(5))
    print(next(half))
    half.close()
