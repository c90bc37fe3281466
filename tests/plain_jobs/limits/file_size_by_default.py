"""Files may not grow past 64 KB, and the signal for that has its default: it ends who does it."""

# /// job
# shell = "ulimit -c 0; ulimit -f 64; exec \"$@\""
# ///
import os
import signal
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import Pool

signal.signal(signal.SIGXFSZ, signal.SIG_DFL)
if __name__ == "__main__":
    with ProcessPoolExecutor(1) as pool:
        print(pool.submit(abs, -1).result(), flush=True)
    with Pool(1) as pool:
        print(pool.map(abs, [-1]), flush=True)
    with open("big", "wb", 0) as file:
        for _ in range(100):
            file.write(b"x" * 1024)
    os._exit(0)
