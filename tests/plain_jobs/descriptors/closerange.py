"""Descriptors from 3 on are closed by number, and new ones opened: they stay the program's."""

import os
import time
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(2) as pool:
    pool.submit(abs, -1).result()
    time.sleep(0.1)
    os.closerange(3, 64)
    files = [open(f"file{number}", "w+") for number in range(20)]
    for round_number in range(15):
        pool.submit(abs, -1).result()
        for file in files:
            file.write(f"{round_number}\n")
            file.flush()
        time.sleep(0.1)
    for file in files:
        file.seek(0)
        assert len(file.read().split()) == 15
        file.close()
print("all there")
