"""Threads that still submit while the interpreter shuts down get the usual refusal."""

import threading
import time
from concurrent.futures import ThreadPoolExecutor

pool = ThreadPoolExecutor(2)
pool.submit(abs, -1).result()


def go_on():
    time.sleep(0.2)
    try:
        pool.submit(abs, -1)
        print("taken")
    except RuntimeError as error:
        print(error)


threading.Thread(target=go_on).start()
