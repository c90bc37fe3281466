"""Subprocesses with and without a function before exec, from worker threads and from the main
one.
"""

import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from warnings import simplefilter

simplefilter("ignore")


def before():
    os.umask(0o077)


def run(number):
    command = ["sh", "-c", f"umask; exit {number}"]
    ran = subprocess.run(command, preexec_fn=before if number % 2 else None, capture_output=True)
    return ran.returncode, ran.stdout


os.umask(0o022)
with ThreadPoolExecutor(3) as pool:
    print(list(pool.map(run, range(8))))
    print(run(1), run(2))
    print(subprocess.call([sys.executable, "-c", "print(1)"], close_fds=False))
