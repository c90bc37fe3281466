"""A program restores the default for SIGPIPE and prints into a pipe that nobody reads."""

# /// job
# shell = "\"$@\" | head -n 1; exit ${PIPESTATUS[0]}"
# ///
import signal
from concurrent.futures import ThreadPoolExecutor

signal.signal(signal.SIGPIPE, signal.SIG_DFL)
with ThreadPoolExecutor(1) as pool:
    pool.submit(abs, -1).result()
    for number in range(100_000):
        print(number)
