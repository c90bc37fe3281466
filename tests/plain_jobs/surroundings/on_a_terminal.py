"""A program asks whether it is on a terminal, and how wide that is."""

# /// job
# shell = "script -qec \"$(printf '%q ' \"$@\")\" /dev/null < /dev/null"
# ///
import os
import sys
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(1) as pool:
    print(pool.submit(sys.stdout.isatty).result(), os.isatty(2))
