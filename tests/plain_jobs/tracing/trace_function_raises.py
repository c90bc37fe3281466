"""A trace function that raises in the pool's own code reaches whoever submits."""

import sys
from concurrent.futures import ThreadPoolExecutor


class Stop(Exception):
    pass


def trace(frame, event, argument):
    counted[0] += 1
    if counted[0] == limit:
        raise Stop
    return None


with ThreadPoolExecutor(1) as pool:
    pool.submit(abs, -1).result()
    limit = 2
    for _ in range(5):
        counted = [0]
        sys.settrace(trace)
        try:
            pool.submit(abs, -1)
            print("not stopped")
        except Stop:
            print("stopped")
        finally:
            sys.settrace(None)
    print(pool.submit(abs, -2).result())
