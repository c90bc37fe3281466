"""A task whose module answers with an error when it is asked for names (PEP 562)."""

import sys
import types
from concurrent.futures import ThreadPoolExecutor

SOURCE = """
def __getattr__(name):
    raise ImportError(f"no {name}: an optional part is missing")

def work(number):
    return number + 1

def made():
    def inner(number):
        return number + 2
    return inner
"""
module = types.ModuleType("odd")
exec(SOURCE, module.__dict__)
sys.modules["odd"] = module
with ThreadPoolExecutor(2) as pool:
    print([pool.submit(module.work, n).result(5) for n in range(3)])
    print([pool.submit(module.made(), n).result(5) for n in range(3)])
