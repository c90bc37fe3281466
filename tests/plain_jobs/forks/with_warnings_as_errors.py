"""A program with no thread of its own forks while warnings are errors, before, between and after
pools.
"""

# /// job
# options = ["-W", "error"]
# ///
import os
import time
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
    # A thread that was joined may still be ending, and then Python warns.
    deadline = time.monotonic() + 0.3
    while len(os.listdir("/proc/self/task")) > 1 and time.monotonic() < deadline:
        time.sleep(0.001)
    fork()
    fork()
