"""A trace function counts calls and lines of the program's own code in the main thread."""

import sys
from concurrent.futures import ThreadPoolExecutor

events = {}


def trace(frame, event, argument):
    if frame.f_code.co_filename == __file__:
        key = frame.f_code.co_name, event
        events[key] = events.get(key, 0) + 1
    return trace


def work(number):
    return number + 1


def main():
    with ThreadPoolExecutor(2) as pool:
        return list(pool.map(work, range(5)))


sys.settrace(trace)
total = main()
print(sys.gettrace() is trace)
sys.settrace(None)
print(total, sorted(events.items()))
