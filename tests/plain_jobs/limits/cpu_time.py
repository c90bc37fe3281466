"""A program that may use one second of processor time is ended by the signal for that."""

# /// job
# shell = "ulimit -c 0; ulimit -t 1; exec \"$@\""
# ///
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(1) as pool:
    print(pool.submit(abs, -1).result(), flush=True)
    while True:
        pass
