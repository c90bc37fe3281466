"""Python is isolated from the environment and the user's folder."""

# /// job
# options = ["-I"]
# ///
import multiprocessing
import sys
from concurrent.futures import ThreadPoolExecutor

if __name__ == "__main__":
    print(sys.flags, len(sys.path))
    with ThreadPoolExecutor(2) as pool:
        print(list(pool.map(abs, range(-3, 0))))
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        print(pool.map(abs, range(-3, 0)))
