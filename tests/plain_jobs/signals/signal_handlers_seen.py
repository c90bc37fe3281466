"""The handlers of all signals are what they are without a probe."""

import signal
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(1) as pool:
    pool.submit(abs, -1).result()
for number in sorted(signal.valid_signals()):
    print(int(number), signal.getsignal(number))
print(signal.getitimer(signal.ITIMER_REAL), signal.set_wakeup_fd(-1))
