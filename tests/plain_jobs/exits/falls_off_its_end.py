"""A program submits to a pool and falls off its end, without shutting anything down."""

# /// job
# rounds = ["1", "2", "3", "4", "5", "6"]
# ///
from concurrent.futures import ThreadPoolExecutor

pool = ThreadPoolExecutor(1)
for number in range(5):
    pool.submit(print, number, flush=True)
