"""The fault handler dumps all threads."""

import faulthandler
import threading
from concurrent.futures import ThreadPoolExecutor

inside, go_on = threading.Event(), threading.Event()


def work():
    inside.set()
    go_on.wait()


with ThreadPoolExecutor(1) as pool:
    pool.submit(work)
    inside.wait()
    faulthandler.dump_traceback(all_threads=True)
    go_on.set()
