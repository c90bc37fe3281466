"""Descriptors are closed by number in a process pool's owner, and files are opened in their
place.
"""

import gc
import os
import time
from concurrent.futures import ThreadPoolExecutor
from multiprocessing import get_context


def work(number):
    return number


if __name__ == "__main__":
    context = get_context("fork")
    pool = context.Pool(2)
    print(pool.map(work, range(4)))
    pool.terminate()
    pool.join()
    del pool
    gc.collect()
    with ThreadPoolExecutor(1) as threads:
        threads.submit(abs, -1).result()
        os.closerange(3, 64)
        files = [open(f"file{number}", "w+") for number in range(20)]
        for _ in range(12):
            for file in files:
                file.write("line\n")
                file.flush()
            time.sleep(0.1)
            threads.submit(abs, -1).result()
    for file in files:
        file.close()
