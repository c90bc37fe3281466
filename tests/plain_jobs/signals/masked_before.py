"""Signals are blocked before anything else: they stay pending, and handlers run when they are let
in.
"""

import os
import signal
from concurrent.futures import ThreadPoolExecutor

signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGUSR1, signal.SIGTERM})
signal.signal(signal.SIGUSR1, lambda number, frame: print("handled"))
with ThreadPoolExecutor(2) as pool:
    pool.submit(abs, -1).result()
    os.kill(os.getpid(), signal.SIGUSR1)
    os.kill(os.getpid(), signal.SIGTERM)
    print(sorted(map(int, signal.sigpending())))
    print(list(pool.map(abs, range(3))))
    signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGUSR1})
    print(sorted(map(int, signal.sigpending())))
    print(sorted(map(int, signal.pthread_sigmask(signal.SIG_BLOCK, ()))))
