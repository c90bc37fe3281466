"""Hooks of the program for exceptions, in the main thread and in threads, see what they should."""

import sys
import threading
import traceback
from concurrent.futures import ThreadPoolExecutor


def hook(kind, error, trace):
    print("hook", kind.__name__, error, len(traceback.extract_tb(trace)))
    print(sys.last_value if hasattr(sys, "last_value") else None)


def thread_hook(given):
    print("thread", given.exc_type.__name__, len(traceback.extract_tb(given.exc_traceback)))


sys.excepthook, threading.excepthook = hook, thread_hook
with ThreadPoolExecutor(1) as pool:
    print(repr(pool.submit(divmod, 1, 0).exception()))
thread = threading.Thread(target=divmod, args=(1, 0))
thread.start()
thread.join()
raise OSError("end")
