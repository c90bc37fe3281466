"""A program enters a user namespace of its own after a pool has ended, which takes a single
thread.
"""

# /// job
# since = "3.12"
# rounds = ["0", "0.3"]
# ///
import os
import sys
import time
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(2) as pool:
    print(list(pool.map(abs, range(-3, 0))))
time.sleep(float(sys.argv[1]))
os.unshare(os.CLONE_NEWUSER)
print("in a namespace of its own", os.getuid())
with ThreadPoolExecutor(2) as pool:
    print(list(pool.map(abs, range(-3, 0))))
