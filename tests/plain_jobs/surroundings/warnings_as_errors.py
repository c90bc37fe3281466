"""Warnings are errors by the environment, for pools of every kind."""

# /// job
# environment = { PYTHONWARNINGS = "error" }
# ///
import multiprocessing
import queue
import threading
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor

if __name__ == "__main__":
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
        print(list(pool.map(abs, range(-3, 0))))
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        print(pool.map(abs, range(-3, 0)))
        pool.close()
        pool.join()
    with ThreadPoolExecutor(1) as pool:
        print(list(pool.map(abs, range(-3, 0))))
    jobs = queue.Queue()
    thread = threading.Thread(target=jobs.get)
    thread.start()
    jobs.put(1)
    thread.join()
