"""A program with threads forks: the warning is the same, and from the same line."""

# /// job
# options = ["-W", "always"]
# ///
import os
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(2) as pool:
    pool.submit(abs, -1).result()
    for _ in range(3):
        child = os.fork()
        if child == 0:
            os._exit(0)
        print(os.waitpid(child, 0)[1])
