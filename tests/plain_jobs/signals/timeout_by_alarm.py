"""A time limit by an alarm whose handler raises TimeoutError, over many short tasks."""

import signal
import threading
import time
from concurrent.futures import ThreadPoolExecutor


def handler(number, frame):
    while frame is not None:
        if frame.f_code.co_filename == threading.__file__:
            # threading's own locks do not survive an exception there; a little later, then.
            signal.setitimer(signal.ITIMER_REAL, 0.0003)
            return
        frame = frame.f_back
    raised.append(1)
    raise TimeoutError("too long")


raised = []
signal.signal(signal.SIGALRM, handler)
with ThreadPoolExecutor(1) as pool:
    print(pool.submit(abs, -1).result())
    for _ in range(100):
        raised.clear()
        signal.setitimer(signal.ITIMER_REAL, 0.003)
        try:
            while not raised:
                pool.submit(abs, -1)
            print("the time limit was not kept")
        except TimeoutError:
            pass
