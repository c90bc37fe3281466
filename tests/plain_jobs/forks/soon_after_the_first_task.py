"""A fork a few milliseconds after the first task: the child says so and ends."""

# /// job
# rounds = ["0", "0", "0.5", "1", "1.5", "2", "2.5", "3", "3.5", "4", "4.5", "5", "6", "7", "8"]
# ///
import os
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from warnings import simplefilter

simplefilter("ignore")
pool = ThreadPoolExecutor(1)
pool.submit(abs, -1)
time.sleep(float(sys.argv[1]) / 1000)
child = os.fork()
if child == 0:
    with ThreadPoolExecutor(1) as own:
        print("child", own.submit(abs, -2).result(), flush=True)
    os._exit(3)
print("ended with", os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))
pool.shutdown()
