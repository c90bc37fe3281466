"""A program with no thread of its own forks while warnings are errors, before, between and after pools."""

# /// job
# options = ["-W", "error"]
# ///
import os
from concurrent.futures import ThreadPoolExecutor


def fork():
    child = os.fork()
    if child == 0:
        os._exit(0)
    print(os.waitpid(child, 0)[1])


fork()
for _ in range(3):
    with ThreadPoolExecutor(2) as pool:
        pool.submit(abs, -1).result()
    fork()
    fork()
