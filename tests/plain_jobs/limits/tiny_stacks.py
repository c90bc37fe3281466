"""Threads get a stack of 64 KB, the smallest that Python allows is 32."""

import threading
from concurrent.futures import ThreadPoolExecutor

threading.stack_size(64 << 10)
with ThreadPoolExecutor(4) as pool:
    print(list(pool.map(abs, range(-20, 0))))
print(threading.stack_size())
