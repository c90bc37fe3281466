"""A profile function sees the program's own calls and returns, in main and in threads."""

import sys
import threading
from concurrent.futures import ThreadPoolExecutor

lock = threading.Lock()
events = {}


def profile(frame, event, argument):
    if frame.f_code.co_filename == __file__ and event in ("call", "return"):
        with lock:
            key = frame.f_code.co_name, event
            events[key] = events.get(key, 0) + 1


def work(number):
    return number * 2


threading.setprofile(profile)
sys.setprofile(profile)
with ThreadPoolExecutor(2) as pool:
    print(list(pool.map(work, range(50))))
sys.setprofile(None)
threading.setprofile(None)
print(sorted(events.items()))
