"""A program freezes the clocks in all modules that there are, as test helpers do, until its end."""

import sys
import time
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(2) as pool:
    pool.submit(abs, -1).result()
    real = {name: getattr(time, name) for name in ("time", "monotonic", "monotonic_ns", "time_ns")}
    frozen = {real[name]: (lambda value: lambda: value)(real[name]()) for name in real}
    for module in list(sys.modules.values()):
        for name, value in list(vars(module).items()) if hasattr(module, "__dict__") else ():
            if type(value) is type(time.time) and value in frozen:
                setattr(module, name, frozen[value])
    print(list(pool.map(abs, range(-3, 0))), time.monotonic() == time.monotonic())
with ThreadPoolExecutor(2) as pool:
    print(list(pool.map(abs, range(-3, 0))))
