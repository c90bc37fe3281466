"""A program started with SIGINT and SIGHUP ignored, as by nohup, goes on being so."""

# /// job
# shell = "trap '' INT HUP; exec \"$@\""
# ///
import os
import signal
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(1) as pool:
    pool.submit(os.kill, os.getpid(), signal.SIGINT).result()
    os.kill(os.getpid(), signal.SIGHUP)
    print(signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGHUP))
