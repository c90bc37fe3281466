"""Ctrl+c is caught, the pool is shut down, and the program ends with a status of its own."""

import os
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor

pool = ThreadPoolExecutor(2)
for _ in range(20):
    pool.submit(time.sleep, 0.01)
subprocess.Popen(["sh", "-c", f"sleep 0.2; kill -INT {os.getpid()}"])
try:
    time.sleep(30)
except KeyboardInterrupt:
    pool.shutdown()
    print("interrupted")
    sys.exit(130)
