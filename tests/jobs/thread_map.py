"""A seed library weighs its packets, as many at a time as it has scales."""

import time
from concurrent.futures import ThreadPoolExecutor

from ending import kind, tell


def weigh(packet):
    time.sleep(0.002)
    return packet % 7


if __name__ == "__main__":
    with ThreadPoolExecutor(4, thread_name_prefix="scales") as pool:
        weights = list(pool.map(weigh, range(90)))
        tell(weigh=kind(len(weights)))
