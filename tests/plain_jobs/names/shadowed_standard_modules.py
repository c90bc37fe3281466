"""A program's folder has modules named like the standard library's that a probe may want."""

import os
import sys

for name in ("selectors", "fcntl", "struct", "array", "msgpack"):
    with open(f"{name}.py", "w") as file:
        file.write("raise ImportError('the own one')\n")
sys.path.insert(0, os.getcwd())
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(1) as pool:
    print(pool.submit(abs, -1).result())
print("struct" in sys.modules)
