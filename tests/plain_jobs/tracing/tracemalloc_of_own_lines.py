"""tracemalloc attributes memory to the program's own lines."""

import tracemalloc
from concurrent.futures import ThreadPoolExecutor


def work(number):
    return bytearray(1_000_000)


tracemalloc.start(5)
with ThreadPoolExecutor(1) as pool:
    kept = list(pool.map(work, range(5)))
    snapshot = tracemalloc.take_snapshot().filter_traces([tracemalloc.Filter(True, __file__)])
for statistic in snapshot.statistics("lineno"):
    if statistic.size > 1_000_000:
        print(statistic.traceback[0].lineno, statistic.size // 1_000_000)
