"""A pool of two thousand workers, more than a probe counts."""

from concurrent.futures import ThreadPoolExecutor
from threading import stack_size
from warnings import simplefilter

simplefilter("ignore")
stack_size(128 << 10)
with ThreadPoolExecutor(2000) as pool:
    print(sum(pool.map(abs, range(3000))))
