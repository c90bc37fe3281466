"""dup2 puts the program's own descriptors over the numbers from 3 to 20."""

import os
import time
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(2) as pool:
    pool.submit(abs, -1).result()
    time.sleep(0.05)
    read, write = os.pipe()
    for number in range(3, 21):
        if number not in (read, write):
            os.dup2(write, number)
    for _ in range(12):
        pool.submit(abs, -1).result()
        time.sleep(0.1)
    os.write(20, b"through")
    print(os.read(read, 7))
    for number in range(3, 21):
        if number not in (read, write):
            os.fstat(number)
