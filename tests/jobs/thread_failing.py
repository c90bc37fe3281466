"""A ferry office looks up berths; every fifth one is silted up and raises."""

import time
from concurrent.futures import ThreadPoolExecutor, as_completed

from ending import kind, tell


class Silted(Exception):
    pass


def look_up(berth):
    time.sleep(0.001)
    if berth % 5 == 0:
        raise Silted(berth)
    return berth


if __name__ == "__main__":
    with ThreadPoolExecutor(3) as pool:
        futures = [pool.submit(look_up, berth) for berth in range(60)]
        failed = sum(future.exception() is not None for future in as_completed(futures))
        tell(look_up=kind(len(futures), failed))
