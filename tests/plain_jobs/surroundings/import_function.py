"""A program replaces the import function and counts what is imported while its pool works."""

import builtins
import time
from concurrent.futures import ThreadPoolExecutor

real, asked = builtins.__import__, []


def counting(name, names=None, *given, **keywords):
    asked.append(((names or {}).get("__name__", ""), name))
    return real(name, names, *given, **keywords)


with ThreadPoolExecutor(1) as pool:
    builtins.__import__ = counting
    print(pool.submit(abs, -1).result())
    time.sleep(0.1)
builtins.__import__ = real
print(asked)
