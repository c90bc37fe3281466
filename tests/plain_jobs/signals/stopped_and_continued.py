"""The program is stopped and goes on, as by ctrl+z and fg."""

import os
import signal
import subprocess
import time
from concurrent.futures import ThreadPoolExecutor

signal.signal(signal.SIGCONT, lambda number, frame: print("going on"))
with ThreadPoolExecutor(2) as pool:
    pool.submit(abs, -1).result()
    waker = subprocess.Popen(["sh", "-c", f"sleep 0.3; kill -CONT {os.getpid()}"])
    os.kill(os.getpid(), signal.SIGSTOP)
    time.sleep(0.01)
    print(pool.submit(abs, -2).result(), waker.wait())
