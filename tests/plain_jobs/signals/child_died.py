"""A handler for SIGCHLD reaps children while pools run and fork."""

import os
import signal
import time
from concurrent.futures import ThreadPoolExecutor
from warnings import simplefilter

simplefilter("ignore")
reaped = []


def reap(number, frame):
    while True:
        try:
            pid, status = os.waitpid(-1, os.WNOHANG)
        except ChildProcessError:
            return
        if pid == 0:
            return
        reaped.append(os.waitstatus_to_exitcode(status))


signal.signal(signal.SIGCHLD, reap)
with ThreadPoolExecutor(2) as pool:
    for number in range(20):
        pool.submit(abs, -1).result()
        if os.fork() == 0:
            os._exit(number)
    deadline = time.monotonic() + 10
    while len(reaped) < 20 and time.monotonic() < deadline:
        time.sleep(0.01)
print(sorted(reaped))
