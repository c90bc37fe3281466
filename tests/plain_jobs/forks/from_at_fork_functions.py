"""Functions that run at a fork submit to a pool, before it and after it."""

import os
from concurrent.futures import ThreadPoolExecutor
from warnings import simplefilter

simplefilter("ignore")
pool = ThreadPoolExecutor(2)
said = []
os.register_at_fork(
    before=lambda: said.append(pool.submit(abs, -1).result()),
    after_in_parent=lambda: said.append(pool.submit(abs, -2).result()),
    after_in_child=lambda: said.append(ThreadPoolExecutor(1).submit(abs, -3).result()),
)
for _ in range(5):
    child = os.fork()
    if child == 0:
        os._exit(said[-1])
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))
print(said)
pool.shutdown()
