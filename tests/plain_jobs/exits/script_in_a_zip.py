"""An archive with a main module is run as a script."""

# /// job
# shell = '''
# cp job.py __main__.py
# touch -d 2020-01-01 __main__.py
# "$1" -m zipfile -c app.zip __main__.py
# rm __main__.py
# exec "${@/job.py/app.zip}"
# '''
# arguments = ["one"]
# ///
import os
import sys
from concurrent.futures import ThreadPoolExecutor

if __name__ == "__main__":
    with ThreadPoolExecutor(1) as pool:
        print(pool.submit(abs, -1).result(), __name__, sys.argv, os.path.basename(sys.path[0]))
