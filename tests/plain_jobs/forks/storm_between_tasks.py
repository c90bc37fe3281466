"""Three hundred forks, a task between any two; each child ends at once."""

import os
from concurrent.futures import ThreadPoolExecutor
from warnings import simplefilter

simplefilter("ignore")
with ThreadPoolExecutor(1) as pool:
    statuses = set()
    for _ in range(300):
        child = os.fork()
        if child == 0:
            os._exit(7)
        statuses.add(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))
        pool.submit(abs, -1).result()
print(statuses)
