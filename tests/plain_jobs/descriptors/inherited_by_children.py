"""Children that keep all descriptors see only the program's own."""

import os
import subprocess
import sys
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor

script = """
import os
numbers = sorted(map(int, os.listdir("/proc/self/fd")))
print([number for number in numbers if os.path.exists(f"/proc/self/fd/{number}")])
"""

if __name__ == "__main__":
    with ThreadPoolExecutor(1) as pool, ProcessPoolExecutor(1) as processes:
        pool.submit(abs, -1).result()
        processes.submit(abs, -1).result()
        sys.stdout.flush()
        subprocess.run([sys.executable, "-c", script], close_fds=False, check=True)
