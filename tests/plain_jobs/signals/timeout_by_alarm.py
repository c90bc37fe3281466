"""A time limit by an alarm whose handler raises TimeoutError, over many short tasks."""

import signal
import threading
from concurrent.futures import ThreadPoolExecutor

LIBRARY = threading.__file__.rpartition("/")[0]


def handler(number, frame):
    if frame.f_code.co_filename.startswith(LIBRARY) or frame.f_code is handler.__code__:
        # The library's locks do not survive an exception everywhere; a little later, then.
        signal.setitimer(signal.ITIMER_REAL, 0.0002)
        return
    raised.append(1)
    raise TimeoutError("too long")


raised = []
signal.signal(signal.SIGALRM, handler)
with ThreadPoolExecutor(1) as pool:
    print(pool.submit(abs, -1).result())
    for _ in range(60):
        raised.clear()
        try:
            signal.setitimer(signal.ITIMER_REAL, 0.003)
            while not raised:
                pool.submit(abs, -1)
            print("the time limit was not kept")
        except TimeoutError:
            pass
