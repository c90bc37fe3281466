"""The system refuses new threads for a while: the errors are the pool's, and it goes on after."""

# /// job
# root = true
# ///
import os
import resource
import time
from concurrent.futures import ThreadPoolExecutor
from warnings import simplefilter

simplefilter("ignore")
UNPRIVILEGED = 54_321
os.setuid(UNPRIVILEGED)
limits = resource.getrlimit(resource.RLIMIT_NPROC)
resource.setrlimit(resource.RLIMIT_NPROC, (0, limits[1]))
pool = ThreadPoolExecutor(2)
for _ in range(2):
    try:
        pool.submit(abs, -1)
    except RuntimeError as error:
        print(error)
resource.setrlimit(resource.RLIMIT_NPROC, limits)
print(list(pool.map(abs, range(-3, 0))))
began = time.monotonic()
for _ in range(5):
    child = os.fork()
    if child == 0:
        os._exit(3)
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))
print(time.monotonic() - began < 3)
pool.shutdown()
