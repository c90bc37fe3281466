"""A program counts its open descriptors while a pool is at work."""

import os
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(2) as pool:
    pool.submit(abs, -1).result()
    print(len(os.listdir("/proc/self/fd")))
