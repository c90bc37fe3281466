"""A program may have 64 descriptors, and uses all it gets, again and again."""

# /// job
# shell = "ulimit -n 64; exec \"$@\""
# ///
import os
import resource
from concurrent.futures import ThreadPoolExecutor

print(resource.getrlimit(resource.RLIMIT_NOFILE))
with ThreadPoolExecutor(2) as pool:
    for _ in range(3):
        pool.submit(abs, -1).result()
        taken = []
        try:
            while True:
                taken.append(os.open("/dev/null", os.O_RDONLY))
        except OSError as error:
            print(error.strerror)
        print(pool.submit(abs, -3).result())
        for descriptor in taken:
            os.close(descriptor)
