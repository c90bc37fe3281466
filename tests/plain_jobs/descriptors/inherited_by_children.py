"""Children that keep all descriptors see only the program's own."""

import os
import subprocess
import sys
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor

script = "import os, sys; print([n for n in sorted(map(int, os.listdir('/proc/self/fd'))) if n > 2 and os.path.exists(f'/proc/self/fd/{n}')])"

if __name__ == "__main__":
    with ThreadPoolExecutor(1) as pool, ProcessPoolExecutor(1) as processes:
        pool.submit(abs, -1).result()
        processes.submit(abs, -1).result()
        sys.stdout.flush()
        subprocess.run([sys.executable, "-c", script], close_fds=False, check=True)
