"""An archive compresses volumes: threads that give the interpreter lock back while they work."""

import os
import zlib
from concurrent.futures import ThreadPoolExecutor

from ending import kind, tell, wait_until_watched

volume = os.urandom(1_000_000)


def compress(number):
    return len(zlib.compress(volume, 6))


if __name__ == "__main__":
    with ThreadPoolExecutor(2, thread_name_prefix="archive") as pool:
        pool.submit(compress, 0).result()
        wait_until_watched()
        sizes = list(pool.map(compress, range(150)))
        tell(compress=kind(len(sizes) + 1), truth={"compress": ["busy", ""]})
