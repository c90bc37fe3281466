"""A program without assertions and docstrings."""

# /// job
# options = ["-OO"]
# ///
import sys
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(2) as pool:
    print(list(pool.map(abs, range(-3, 0))), sys.flags.optimize, __doc__)
assert sys.argv[1:] == ["never"]
