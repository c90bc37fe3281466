"""SIGTERM is turned into SystemExit, with tasks at work."""

import os
import signal
import sys
import time
from concurrent.futures import ThreadPoolExecutor

signal.signal(signal.SIGTERM, lambda number, frame: sys.exit(14))
with ThreadPoolExecutor(2) as pool:
    for _ in range(20):
        pool.submit(time.sleep, 0.01)
    os.kill(os.getpid(), signal.SIGTERM)
    time.sleep(30)
