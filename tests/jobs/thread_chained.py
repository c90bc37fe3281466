"""A dye works: each cloth goes on to the next bath as soon as its last one has let it go."""

import threading
from concurrent.futures import ThreadPoolExecutor

from ending import kind, tell

pool = ThreadPoolExecutor(3, thread_name_prefix="dye works")
done = threading.Semaphore(0)


def soak(cloth):
    return cloth


def dye(cloth):
    return cloth + 100


def rinse(cloth):
    return cloth - 100


def then(step, *further):
    def go_on(bath):
        following = pool.submit(step, bath.result())
        if further:
            following.add_done_callback(then(*further))
        else:
            following.add_done_callback(lambda _: done.release())

    return go_on


if __name__ == "__main__":
    for cloth in range(16):
        pool.submit(soak, cloth).add_done_callback(then(dye, rinse))
    for _ in range(16):
        done.acquire()
    tell(by_workers={"dye works": None}, soak=kind(16), dye=kind(16), rinse=kind(16))
    pool.shutdown()
