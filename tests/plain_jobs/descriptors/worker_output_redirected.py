"""Worker processes replace their standard output, and write to the old one after it is closed."""

import os
import sys
from concurrent.futures import ProcessPoolExecutor


def work(number):
    descriptor = os.open("log", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    os.dup2(descriptor, 1)
    os.dup2(descriptor, 2)
    os.close(descriptor)
    os.write(1, b"out\n")
    sys.stderr.write("err\n")
    return number


if __name__ == "__main__":
    with ProcessPoolExecutor(1) as pool:
        print(list(pool.map(work, range(3))))
