"""A queue's owner without threads forks 3,200 times between tasks that are run by a pool of one."""

import os
import sys
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(1) as pool:
    print(pool.submit(abs, -1).result())
# The pool has ended: the parent has one thread of its own, and forks as such.
statuses = set()
for _ in range(3200):
    child = os.fork()
    if child == 0:
        os._exit(0)
    statuses.add(os.waitpid(child, 0)[1])
print(statuses, sys.getrecursionlimit())
with ThreadPoolExecutor(1) as pool:
    print(pool.submit(sum, [1, 2]).result())
