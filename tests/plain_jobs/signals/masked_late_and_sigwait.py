"""The main thread blocks a signal after its pool has started, and waits for it."""

import os
import signal
import time
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(1) as pool:
    pool.submit(signal.pthread_sigmask, signal.SIG_BLOCK, {signal.SIGUSR1}).result()
    time.sleep(0.05)
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGUSR1})
    for _ in range(5):
        os.kill(os.getpid(), signal.SIGUSR1)
        print(signal.sigtimedwait({signal.SIGUSR1}, 5).si_signo == signal.SIGUSR1)
