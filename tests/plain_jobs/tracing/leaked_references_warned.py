"""Resource warnings of files that tasks forget come as they would."""

# /// job
# options = ["-X", "dev"]
# ///
from concurrent.futures import ThreadPoolExecutor


def forget():
    open(__file__)


with ThreadPoolExecutor(1) as pool:
    pool.submit(forget).result()
