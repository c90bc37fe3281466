"""A mushroom cellar: every tray rests for a while, so its workers sleep nearly all the time."""

import time
from concurrent.futures import ThreadPoolExecutor

from ending import kind, tell, wait_until_watched


def rest_tray(tray):
    time.sleep(0.1)
    return tray


if __name__ == "__main__":
    with ThreadPoolExecutor(3, thread_name_prefix="cellar") as pool:
        pool.submit(rest_tray, 0).result()
        wait_until_watched()
        trays = list(pool.map(rest_tray, range(150)))
        tell(rest_tray=kind(len(trays) + 1), truth={"rest_tray": ["blocked", "sleep"]})
