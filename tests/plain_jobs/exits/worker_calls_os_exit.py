"""A worker process ends by os._exit in a task, one by sys.exit, one by an exception in its
initializer.
"""

import os
import sys
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool


def refuse():
    raise ValueError("not ready")


if __name__ == "__main__":
    for function in (os._exit, sys.exit):
        with ProcessPoolExecutor(1) as pool:
            error = pool.submit(function, 3).exception()
            print(type(error).__name__, error if function is sys.exit else "")
    with ProcessPoolExecutor(1, initializer=refuse) as pool:
        try:
            pool.submit(abs, 1).result()
        except BrokenProcessPool as error:
            print(error)
