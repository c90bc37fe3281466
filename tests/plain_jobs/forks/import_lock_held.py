"""A worker imports modules while the main thread forks; the children import too."""

import os
import sys
from concurrent.futures import ThreadPoolExecutor
from warnings import simplefilter

simplefilter("ignore")
for number in range(30):
    with open(f"module{number}.py", "w") as file:
        file.write("import time\ntime.sleep(0.003)\nvalue = 1\n")


def load(number):
    __import__(f"module{number}")
    return 1


with ThreadPoolExecutor(2) as pool:
    loads = [pool.submit(load, number) for number in range(20)]
    for _ in range(10):
        child = os.fork()
        if child == 0:
            import module25

            os._exit(module25.value)
        assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 1
    print(sum(future.result() for future in loads), "module3" in sys.modules)
