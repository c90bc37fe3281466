"""The umask and the current folder are the program's, also while the first task starts."""

import os
from concurrent.futures import ThreadPoolExecutor

os.umask(0o007)
os.mkdir("inner", 0o755)
os.chdir("inner")
with ThreadPoolExecutor(2) as pool:
    pool.submit(abs, -1).result()
    with open("file", "w") as file:
        print(oct(os.fstat(file.fileno()).st_mode), os.path.basename(os.getcwd()))
print(oct(os.umask(0o022)))
