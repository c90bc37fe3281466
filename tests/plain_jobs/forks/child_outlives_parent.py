"""A daemon: the parent ends, its child goes on for a moment and writes a file."""

import os
import time
from concurrent.futures import ThreadPoolExecutor
from warnings import simplefilter

simplefilter("ignore")
with ThreadPoolExecutor(1) as pool:
    pool.submit(abs, -1).result()
read, write = os.pipe()
if os.fork() == 0:
    os.setsid()
    os.close(read)
    if os.fork() == 0:
        with ThreadPoolExecutor(1) as own:
            value = own.submit(abs, -5).result()
        time.sleep(0.2)
        with open("written", "w") as file:
            file.write(str(value))
    os._exit(0)
os.close(write)
print(os.read(read, 1))
