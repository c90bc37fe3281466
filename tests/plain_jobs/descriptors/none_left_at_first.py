"""All descriptors are taken before the first task; later they are free again."""

# /// job
# shell = "ulimit -n 32; exec \"$@\""
# ///
import os
import time
from concurrent.futures import ThreadPoolExecutor

taken = []
try:
    while True:
        taken.append(os.open("/dev/null", os.O_RDONLY))
except OSError as error:
    print(error.strerror)
with ThreadPoolExecutor(2) as pool:
    print(list(pool.map(abs, range(-3, 0))))
    for descriptor in taken:
        os.close(descriptor)
    time.sleep(0.1)
    print(list(pool.map(abs, range(-3, 0))))
