"""A quarry with one cart, held by a semaphore; results are awaited in pairs."""

import threading
import time
from concurrent.futures import ThreadPoolExecutor, as_completed

from ending import kind, tell, wait_until_watched

carts = threading.BoundedSemaphore(1)


def haul(stone):
    with carts:
        time.sleep(0.05)
    return stone


if __name__ == "__main__":
    with ThreadPoolExecutor(5, thread_name_prefix="quarry") as pool:
        pool.submit(haul, 0).result()
        wait_until_watched()
        hauls = [pool.submit(haul, stone) for stone in range(100)]
        hauled = sum(1 for _ in as_completed(hauls))
        tell(haul=kind(hauled + 1), truth={"haul": ["blocked", "lock"]})
