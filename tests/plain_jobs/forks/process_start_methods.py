"""Processes of multiprocessing with each start method, each with pools of its own, from a pooled
parent.
"""

# /// job
# rounds = ["fork", "spawn", "forkserver"]
# ///
import multiprocessing
import sys
from concurrent.futures import ThreadPoolExecutor
from warnings import simplefilter

simplefilter("ignore")


def child(queue):
    with ThreadPoolExecutor(2) as pool:
        queue.put(sum(pool.map(abs, range(-4, 4))))


if __name__ == "__main__":
    context = multiprocessing.get_context(sys.argv[1])
    with ThreadPoolExecutor(2) as pool:
        print(pool.submit(abs, -1).result())
        queue = context.Queue()
        processes = [context.Process(target=child, args=(queue,)) for _ in range(3)]
        for process in processes:
            process.start()
        print([queue.get() for _ in processes])
        for process in processes:
            process.join()
        print([process.exitcode for process in processes])
