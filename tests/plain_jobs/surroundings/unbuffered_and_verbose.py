"""Unbuffered output, with the order of writes to one file kept between error and output."""

# /// job
# options = ["-u"]
# shell = "exec \"$@\" 2>&1"
# ///
import sys
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(1) as pool:
    for number in range(5):
        print(pool.submit(abs, -number).result())
        print(pool.submit(abs, -number).result(), file=sys.stderr)
