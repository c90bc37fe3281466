"""What a program and its children find in the environment, and a program that clears it."""

import os
import subprocess
import sys
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor

script = "import os; print(sorted(os.environ))"
if __name__ == "__main__":
    print(sorted(os.environ))
    with ThreadPoolExecutor(1) as pool:
        pool.submit(abs, -1).result()
    sys.stdout.flush()
    subprocess.run([sys.executable, "-c", script], check=True)
    os.environ.clear()
    with ProcessPoolExecutor(1) as pool:
        print(pool.submit(len, "abc").result(), dict(os.environ))
