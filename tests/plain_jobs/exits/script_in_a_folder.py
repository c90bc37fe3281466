"""A folder with a main module is run as a script."""

# /// job
# shell = "mkdir app; cp job.py app/__main__.py; exec \"${@/job.py/app}\""
# arguments = ["one"]
# ///
import os
import sys
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(1) as pool:
    print(
        pool.submit(abs, -1).result(), __name__, sys.argv, os.path.basename(sys.path[0]), __file__
    )
