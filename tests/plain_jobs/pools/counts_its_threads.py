"""A program counts its threads as the kernel does, and waits until it has one."""

import os
import time
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(2) as pool:
    pool.submit(abs, -1).result()
deadline = time.monotonic() + 1
while len(os.listdir("/proc/self/task")) > 1 and time.monotonic() < deadline:
    time.sleep(0.01)
print(len(os.listdir("/proc/self/task")))
