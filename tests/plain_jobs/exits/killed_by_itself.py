"""A program kills itself in the middle of a task."""

import os
import signal
from concurrent.futures import ThreadPoolExecutor

print("before", flush=True)
with ThreadPoolExecutor(1) as pool:
    pool.submit(os.kill, os.getpid(), signal.SIGKILL).result()
