"""The fault handler dumps the main thread on a signal and after a time."""

import faulthandler
import os
import signal
import sys
import time
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(1) as pool:
    pool.submit(abs, -1).result()
    faulthandler.register(signal.SIGUSR1, all_threads=False, chain=False)
    os.kill(os.getpid(), signal.SIGUSR1)
    faulthandler.dump_traceback(sys.__stderr__, all_threads=False)
    faulthandler.dump_traceback_later(30, exit=True)
    time.sleep(0.05)
    faulthandler.cancel_dump_traceback_later()
sys.stderr.flush()
