"""A handler raises into whatever the main thread does: submitting and queueing."""

import queue
import signal
import threading
import time
from concurrent.futures import ThreadPoolExecutor

LIBRARY = threading.__file__.rpartition("/")[0]


class Tick(Exception):
    pass


def handler(number, frame):
    if frame.f_code.co_filename.startswith(LIBRARY) or frame.f_code is handler.__code__:
        # The library's locks do not survive an exception everywhere; a little later, then.
        signal.setitimer(signal.ITIMER_REAL, 0.0002)
        return
    raised[0] += 1
    raise Tick


raised = [0]
jobs = queue.Queue()


def serve():
    while jobs.get() is not None:
        pass


def hand_in_until_raised(before):
    # A function of its own: 3.13 lets an exception of a handler past the `try` around a loop.
    while raised[0] == before:
        jobs.put(1)
        pool.submit(abs, -1)


thread = threading.Thread(target=serve)
thread.start()
caught = 0
pool = ThreadPoolExecutor(1)
print({future.result() for future in [pool.submit(abs, -1) for _ in range(4)]})
signal.signal(signal.SIGALRM, handler)
deadline = time.monotonic() + 20
while caught < 80 and time.monotonic() < deadline:
    before = raised[0]
    try:
        signal.setitimer(signal.ITIMER_REAL, 0.0005 + caught % 7 * 0.0001)
        hand_in_until_raised(before)
        break  # it was raised, and did not come here
    except Tick:
        caught += 1
while True:  # a signal that came late must not end the program
    try:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, signal.SIG_IGN)
        break
    except Tick:
        caught += 1
print(caught == raised[0])
jobs.put(None)
thread.join()
pool.shutdown()
