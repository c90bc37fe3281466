"""A program counts what an audit hook is told of its own: opens, forks and imports after the first
task.
"""

import os
import sys
from concurrent.futures import ThreadPoolExecutor
from warnings import simplefilter

simplefilter("ignore")
told = []


def hook(event, arguments):
    if watching and event in ("open", "os.fork", "subprocess.Popen", "import"):
        told.append((event, str(arguments[0]) if arguments else ""))


watching = False
with ThreadPoolExecutor(1) as pool:
    pool.submit(abs, -1).result()
    import time

    time.sleep(0.1)
    sys.addaudithook(hook)
    watching = True
    print(pool.submit(abs, -2).result())
    child = os.fork()
    if child == 0:
        os._exit(0)
    os.waitpid(child, 0)
    with open("file", "w") as file:
        file.write("x")
    watching = False
print(told)
