"""Two tables of translators hand a text to and fro until it has been read eight times."""

import threading
import time
from concurrent.futures import ThreadPoolExecutor

from ending import kind, tell

left = ThreadPoolExecutor(2, thread_name_prefix="left table")
right = ThreadPoolExecutor(2, thread_name_prefix="right table")
finished = threading.Semaphore(0)


def read_left(text, times):
    time.sleep(0.001)
    right.submit(read_right, text, times + 1)


def read_right(text, times):
    time.sleep(0.001)
    if times == 7:
        finished.release()
    else:
        left.submit(read_left, text, times + 1)


if __name__ == "__main__":
    for text in range(10):
        left.submit(read_left, text, 0)
    for _ in range(10):
        finished.acquire()
    left.shutdown()
    right.shutdown()
    tell(read_left=kind(40), read_right=kind(40))
