"""A program starts itself again by exec with its own arguments, once."""

import os
import sys
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(1) as pool:
    print(pool.submit(len, sys.argv).result(), flush=True)
if "again" not in sys.argv:
    os.execv(sys.executable, [sys.executable, *sys.argv, "again"])
