"""Ctrl+c to the owner of a process pool alone, which it catches."""

import os
import subprocess
import time
from concurrent.futures import ProcessPoolExecutor

if __name__ == "__main__":
    with ProcessPoolExecutor(2) as pool:
        print(list(pool.map(abs, range(-3, 0))))
        subprocess.Popen(["sh", "-c", f"sleep 0.2; kill -INT {os.getpid()}"])
        try:
            time.sleep(30)
        except KeyboardInterrupt:
            print("interrupted")
        print(list(pool.map(abs, range(-3, 0))))
