"""The folder for sockets is refused, and the program has not set up logging."""

# /// job
# refused = true
# ///
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(2) as pool:
    print(list(pool.map(abs, range(-3, 0))))
