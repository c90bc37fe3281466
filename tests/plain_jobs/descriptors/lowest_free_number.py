"""A program relies on the lowest free number for its standard input."""

import os
import sys
from concurrent.futures import ThreadPoolExecutor

os.close(0)
with ThreadPoolExecutor(2) as pool:
    pool.submit(abs, -1).result()
    with open("input", "w") as file:
        file.write("a line\n")
    print(pool.submit(abs, -2).result())
sys.stdout.flush()
