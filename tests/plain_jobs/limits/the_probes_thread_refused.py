"""The limit allows the worker's thread and none besides: tasks run, forks take no longer.

Python 3.12.0 and 3.12.1 start no thread once the main thread has ended, so the probe's comes first
there, as docs/probing-jobs.md says; the limit allows one more.
"""

# /// job
# root = true
# ///
import os
import resource
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from warnings import simplefilter

simplefilter("ignore")
pool = ThreadPoolExecutor(1)
UNPRIVILEGED = 54_322
os.setuid(UNPRIVILEGED)
ONE_MORE = (3, 12) <= sys.version_info < (3, 12, 2)
resource.setrlimit(resource.RLIMIT_NPROC, (2 + ONE_MORE, 64))
print(pool.submit(abs, -1).result(5))
print(pool.submit(abs, -2).result(5))
resource.setrlimit(resource.RLIMIT_NPROC, (64, 64))
began = time.monotonic()
for _ in range(4):
    child = os.fork()
    if child == 0:
        os._exit(3)
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))
print(time.monotonic() - began < 3)
print(pool.submit(abs, -3).result(5))
pool.shutdown()
