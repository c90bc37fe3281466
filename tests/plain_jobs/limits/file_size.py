"""Files may not grow past 64 KB: the signal is ignored, the error is the program's."""

# /// job
# shell = "ulimit -f 64; exec \"$@\""
# ///
import signal
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor

signal.signal(signal.SIGXFSZ, signal.SIG_IGN)


def write():
    with open("big", "wb") as file:
        for _ in range(100):
            file.write(b"x" * 1024)
            file.flush()


if __name__ == "__main__":
    with ThreadPoolExecutor(1) as pool:
        print(pool.submit(write).exception())
    with ProcessPoolExecutor(1) as pool:
        print(pool.submit(write).exception())
