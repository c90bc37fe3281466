"""Tasks that submit tasks, wait for them, and add callbacks that submit again."""

import threading
from concurrent.futures import ThreadPoolExecutor, as_completed, wait

lock = threading.Lock()
counted = [0]


def count(_future=None):
    with lock:
        counted[0] += 1


def tree(pool, depth):
    count()
    if depth:
        for _ in range(2):
            pool.submit(tree, pool, depth - 1).add_done_callback(count)


with ThreadPoolExecutor(3) as pool:
    root = pool.submit(tree, pool, 6)
    root.result()
    wait([root])
    while counted[0] < 127 + 126:
        threading.Event().wait(0.001)
print(counted)
with ThreadPoolExecutor(3) as pool:
    print(
        sorted(future.result() for future in as_completed([pool.submit(abs, -n) for n in range(9)]))
    )
