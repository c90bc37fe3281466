"""A program changes its root folder, where nothing of Python is, with a pool at work."""

# /// job
# root = true
# ///
import os
from concurrent.futures import ThreadPoolExecutor
from warnings import simplefilter

simplefilter("ignore")
os.mkdir("root")
with ThreadPoolExecutor(2) as pool:
    print(list(pool.map(abs, range(-3, 0))))
    os.chroot("root")
    os.chdir("/")
    print(list(pool.map(abs, range(-3, 0))), os.listdir("/"))
    child = os.fork()
    if child == 0:
        with ThreadPoolExecutor(1) as own:
            own.submit(abs, -1).result()
        os._exit(4)
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))
