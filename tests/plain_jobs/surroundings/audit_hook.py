"""An audit hook counts the opens, forks and imports of the main thread after the first task."""

import os
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from warnings import simplefilter

simplefilter("ignore")
told = []


def hook(event, arguments):
    ours = threading.get_ident() == main
    if watching and ours and event in ("open", "os.fork", "subprocess.Popen", "import"):
        told.append((event, str(arguments[0]) if arguments else ""))


watching, main = False, threading.get_ident()
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
