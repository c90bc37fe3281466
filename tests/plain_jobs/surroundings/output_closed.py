"""Standard output and error are closed by the program before its pool starts."""

import os
import sys
import time
from concurrent.futures import ThreadPoolExecutor

print("before", flush=True)
sys.stdout.close()
sys.stderr.close()
os.close(1)
os.close(2)
with ThreadPoolExecutor(2) as pool:
    pool.submit(abs, -1).result()
    time.sleep(0.1)
    with open("first", "w") as first, open("second", "w") as second:
        first.write("1")
        second.write("2")
sys.stdout = sys.stderr = None
