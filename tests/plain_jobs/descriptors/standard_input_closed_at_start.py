"""A program is started without standard input and output, as by some daemons."""

# /// job
# shell = "exec \"$@\" <&- >&-"
# ///
import os
import sys
import time
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(2) as pool:
    pool.submit(abs, -1).result()
    time.sleep(0.1)
    with open("seen", "w") as file:
        print(sys.stdin, sys.stdout, sys.stderr is None, file=file)
    print("nowhere")
    files = [open(f"file{number}", "w") for number in range(4)]
    for file in files:
        file.write("content")
        file.close()
    pool.submit(abs, -1).result()
try:
    os.fstat(2)
except OSError as error:
    print(error)
