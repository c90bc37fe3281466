"""Standard output is a full device: the error at the end is Python's, and so is the status."""

# /// job
# shell = "exec \"$@\" > /dev/full"
# ///
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(2) as pool:
    print(pool.submit(abs, -1).result())
