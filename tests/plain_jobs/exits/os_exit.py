"""os._exit with tasks queued: nothing more is run, nothing is printed."""

import os
import time
from concurrent.futures import ThreadPoolExecutor

pool = ThreadPoolExecutor(1)
pool.submit(abs, -1).result()
pool.submit(time.sleep, 0.1)
pool.submit(print, "never")
print("lost in the buffer")
os._exit(9)
