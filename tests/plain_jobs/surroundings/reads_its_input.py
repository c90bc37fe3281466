"""A program reads lines from its input by tasks and by the main thread."""

# /// job
# shell = "printf 'one\\ntwo\\nthree\\n' | \"$@\""
# ///
import sys
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(1) as pool:
    print(pool.submit(sys.stdin.readline).result().strip())
    print(input())
    print(pool.submit(sys.stdin.read).result().strip())
    try:
        input()
    except EOFError as error:
        print(error)
