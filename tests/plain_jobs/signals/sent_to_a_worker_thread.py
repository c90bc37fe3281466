"""Signals are sent to a worker thread, whose handler runs in the main thread, and to the
process.
"""

import signal
import threading
import time
from concurrent.futures import ThreadPoolExecutor

seen = []
signal.signal(signal.SIGUSR1, lambda number, frame: seen.append(threading.current_thread().name))
with ThreadPoolExecutor(1) as pool:
    ident = pool.submit(threading.get_ident).result()
    for number in range(5):
        signal.pthread_kill(ident, signal.SIGUSR1)
        deadline = time.monotonic() + 5
        while len(seen) <= number and time.monotonic() < deadline:
            time.sleep(0.001)
print(seen)
