"""A child made by pty.fork, one by os.posix_spawn and one by os.popen, with a pool at work."""

import os
import pty
from concurrent.futures import ThreadPoolExecutor
from warnings import simplefilter

simplefilter("ignore")
with ThreadPoolExecutor(2) as pool:
    pool.submit(abs, -1).result()
    child, master = pty.fork()
    if child == 0:
        os.write(1, b"hello")
        os._exit(0)
    print(os.read(master, 100), os.waitpid(child, 0)[1])
    child = os.posix_spawn("/bin/sh", ["sh", "-c", "exit 5"], os.environ)
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))
    print(os.popen("echo popen").read())
