"""A parade is called off halfway: floats that have not set out are cancelled by the shutdown."""

import threading
from concurrent.futures import ThreadPoolExecutor

from ending import kind, tell

called_off = threading.Event()
under_way = threading.Semaphore(0)


def set_out(number):
    under_way.release()
    called_off.wait()
    return number


if __name__ == "__main__":
    pool = ThreadPoolExecutor(4, thread_name_prefix="parade")
    floats = [pool.submit(set_out, number) for number in range(25)]
    for _ in range(4):
        under_way.acquire()
    pool.shutdown(wait=False, cancel_futures=True)
    called_off.set()
    pool.shutdown(wait=True)
    cancelled = sum(future.cancelled() for future in floats)
    tell(cancelled=cancelled, set_out=kind(len(floats) - cancelled))
