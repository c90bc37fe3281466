"""Python's development mode: unclosed files, unawaited coroutines and bad descriptors are told."""

# /// job
# options = ["-X", "dev"]
# ///
import multiprocessing
import queue
import threading
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor

if __name__ == "__main__":
    context = multiprocessing.get_context("spawn")
    with ThreadPoolExecutor(2) as pool:
        print(list(pool.map(abs, range(-3, 0))))
    with ProcessPoolExecutor(1, mp_context=context) as pool:
        print(list(pool.map(abs, range(-3, 0))))
    with context.Pool(1) as pool:
        print(pool.map(abs, range(-3, 0)))
        pool.close()
        pool.join()
    jobs = queue.Queue()
    thread = threading.Thread(target=jobs.get)
    thread.start()
    jobs.put(1)
    thread.join()
