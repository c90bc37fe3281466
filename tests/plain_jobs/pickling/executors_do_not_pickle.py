"""What belongs to executors does not pickle, and says so in the usual words."""

import multiprocessing
import pickle
import queue
import threading
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing.pool import ThreadPool


def serve():
    while jobs.get() is not None:
        jobs.task_done()


def attempt(name, thing):
    try:
        pickle.dumps(thing)
        print(name, "pickled")
    except Exception as error:
        print(name, type(error).__name__, error)


if __name__ == "__main__":
    jobs = queue.Queue()
    thread = threading.Thread(target=serve)
    thread.start()
    jobs.put(1)
    jobs.join()
    with ThreadPoolExecutor(1) as threads, ProcessPoolExecutor(1) as processes:
        future = threads.submit(abs, -1)
        future.result()
        processes.submit(abs, -1).result()
        attempt("thread pool", threads)
        attempt("process pool", processes)
        attempt("future", future)
        attempt("its queue", threads._work_queue)
        attempt("queue", jobs)
        attempt("ids", processes._work_ids)
        attempt("calls", processes._call_queue)
        attempt("results", processes._result_queue)
    with ThreadPool(1) as pool:
        attempt("ThreadPool", pool)
    with multiprocessing.Pool(1) as pool:
        attempt("Pool", pool)
        attempt("tasks", pool._inqueue)
    jobs.put(None)
    thread.join()
