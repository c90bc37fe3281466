"""A well with one bucket: whoever draws water holds it, and all others wait for it."""

import threading
import time
from concurrent.futures import ThreadPoolExecutor

from ending import kind, tell, wait_until_watched

bucket = threading.Lock()


def draw_water(jug):
    with bucket:
        time.sleep(0.05)
    return jug


if __name__ == "__main__":
    with ThreadPoolExecutor(6, thread_name_prefix="well") as pool:
        pool.submit(draw_water, 0).result()
        wait_until_watched()
        jugs = list(pool.map(draw_water, range(100)))
        tell(draw_water=kind(len(jugs) + 1), truth={"draw_water": ["blocked", "lock"]})
