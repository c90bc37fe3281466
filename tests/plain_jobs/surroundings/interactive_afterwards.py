"""Python goes on interactively after the program, and reads from its input."""

# /// job
# options = ["-i"]
# shell = "echo 'print(value + 1)' | \"$@\" 2>/dev/null"
# ///
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(1) as pool:
    value = pool.submit(abs, -4).result()
