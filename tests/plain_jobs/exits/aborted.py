"""A program aborts and leaves its fault handler's dump of the present thread."""

# /// job
# shell = "ulimit -c 0; exec \"$@\""
# ///
import faulthandler
import os
from concurrent.futures import ThreadPoolExecutor

faulthandler.enable(all_threads=False)
with ThreadPoolExecutor(1) as pool:
    pool.submit(abs, -1).result()
os.abort()
