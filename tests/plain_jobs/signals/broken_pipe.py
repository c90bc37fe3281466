"""A program prints into a pipe that nobody reads any more, and gets the usual error."""

# /// job
# shell = "\"$@\" | head -n 1; exit ${PIPESTATUS[0]}"
# ///
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(1) as pool:
    pool.submit(abs, -1).result()
    for number in range(100_000):
        print(number)
