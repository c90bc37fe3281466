"""sys.exit with a text, None, a float, a huge number and an object, and SystemExit in a task."""

# /// job
# rounds = ["'text'", "None", "1.5", "2**40", "object", "-1", "256", "True", "(1, 2)"]
# ///
import sys
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(1) as pool:
    print(repr(pool.submit(sys.exit, 3).exception()))
    print(pool.submit(abs, -1).result())
sys.exit(eval(sys.argv[1]))
