"""A program reads its own source, its own frames and its callers' names, and pickles by name."""

import inspect
import linecache
import warnings
from concurrent.futures import ThreadPoolExecutor


def work():
    caller = inspect.stack()[1]
    return inspect.getsource(work).count("\n"), caller.function, len(inspect.stack()) < 9


with ThreadPoolExecutor(1) as pool:
    print(pool.submit(work).result())
print(inspect.getmodule(work).__name__, linecache.getline(__file__, 1).strip())
warnings.warn("here", stacklevel=1)
warnings.warn("at the top", stacklevel=2)
