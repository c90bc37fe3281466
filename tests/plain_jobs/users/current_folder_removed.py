"""The current folder is removed before the first task."""

import os
from concurrent.futures import ThreadPoolExecutor

os.mkdir("gone")
os.chdir("gone")
os.rmdir("../gone")
with ThreadPoolExecutor(2) as pool:
    print(list(pool.map(abs, range(-3, 0))))
