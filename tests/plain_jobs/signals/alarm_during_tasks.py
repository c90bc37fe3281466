"""A timer's signal comes every millisecond while tasks are submitted and run."""

import signal
import time
from concurrent.futures import ThreadPoolExecutor

counted = [0]


def handler(number, frame):
    counted[0] += 1


signal.signal(signal.SIGALRM, handler)
signal.setitimer(signal.ITIMER_REAL, 0.001, 0.001)
deadline = time.monotonic() + 20
with ThreadPoolExecutor(2) as pool:
    total = sum(pool.map(abs, range(3000)))
    while counted[0] < 100 and time.monotonic() < deadline:
        total += pool.submit(abs, 0).result()
signal.setitimer(signal.ITIMER_REAL, 0)
print(total, counted[0] >= 100)
