"""Ctrl+c while the main thread waits for a task: the traceback and the way it ends are Python's."""

import os
import subprocess
import time
from concurrent.futures import ThreadPoolExecutor

pool = ThreadPoolExecutor(1)
pool.submit(abs, -1).result()
sent = subprocess.Popen(["sh", "-c", f"sleep 0.3; kill -INT {os.getpid()}"])
time.sleep(30)
