"""A lighthouse asks its buoys for readings; those that answer late or wrongly are asked again."""

import contextlib
import time
from concurrent.futures import ThreadPoolExecutor, TimeoutError, as_completed

from ending import kind, tell


class BadReading(Exception):
    """A buoy answered with something that is no reading."""


def ask_buoy(buoy, attempt):
    time.sleep(0.002)
    if buoy % 5 == 0 and attempt < 2:
        raise BadReading(buoy)
    return buoy


def ask_all(pool, buoys):
    asked = failed = 0
    waiting = {pool.submit(ask_buoy, buoy, 0): (buoy, 0) for buoy in buoys}
    while waiting:
        asked += len(waiting)
        again = {}
        done = as_completed(list(waiting), timeout=30)
        for future in done:
            buoy, attempt = waiting[future]
            try:
                future.result()
            except BadReading:
                failed += 1
                again[pool.submit(ask_buoy, buoy, attempt + 1)] = (buoy, attempt + 1)
        waiting = again
    return asked, failed


if __name__ == "__main__":
    with ThreadPoolExecutor(max_workers=4) as pool:
        with contextlib.suppress(TimeoutError):
            next(as_completed([pool.submit(ask_buoy, 1, 0)], timeout=0))
        asked, failed = ask_all(pool, range(25))
        tell(ask_buoy=kind(asked + 1, failed))
