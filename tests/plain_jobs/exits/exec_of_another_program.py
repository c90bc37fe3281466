"""A program with a pool becomes another one by exec."""

import os
import sys
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(1) as pool:
    pool.submit(abs, -1).result()
script = "import os; print('another one'); print(sorted(os.listdir('/proc/self/fd')))"
os.execv(sys.executable, [sys.executable, "-c", script])
