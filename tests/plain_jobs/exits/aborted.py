"""A program aborts and leaves its fault handler's dump of the present thread."""

# /// job
# shell = "ulimit -c 0; exec \"$@\""
# ///
import faulthandler
import os
import sys
from concurrent.futures import ThreadPoolExecutor

OPTIONS = {"c_stack": False} if sys.version_info >= (3, 14) else {}
faulthandler.enable(all_threads=False, **OPTIONS)
with ThreadPoolExecutor(1) as pool:
    pool.submit(abs, -1).result()
os.abort()
