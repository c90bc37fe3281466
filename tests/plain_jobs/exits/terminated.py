"""SIGTERM ends the program as it ends any."""

import os
import signal
from concurrent.futures import ThreadPoolExecutor

pool = ThreadPoolExecutor(1)
pool.submit(abs, -1).result()
os.kill(os.getpid(), signal.SIGTERM)
