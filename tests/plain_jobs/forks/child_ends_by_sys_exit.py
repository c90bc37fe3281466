"""A forked child leaves by the end of the program and not by os._exit, with tasks of its own."""

import atexit
import os
import sys
from concurrent.futures import ThreadPoolExecutor
from warnings import simplefilter

simplefilter("ignore")
atexit.register(lambda: print("at exit", flush=True))
pool = ThreadPoolExecutor(2)
print(pool.submit(abs, -1).result(), flush=True)
child = os.fork()
if child == 0:
    own = ThreadPoolExecutor(2)
    print("child", own.submit(abs, -2).result(), flush=True)
    sys.exit(4)
print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
