"""How deep a worker and the main thread can recurse."""

import sys
from concurrent.futures import ThreadPoolExecutor


def depth():
    try:
        return 1 + depth()
    except RecursionError:
        return 0


sys.setrecursionlimit(300)
with ThreadPoolExecutor(1) as pool:
    in_worker = pool.submit(depth).result()
print(in_worker)
