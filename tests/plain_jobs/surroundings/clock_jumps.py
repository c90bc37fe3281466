"""The program's own clock functions jump back and forth, in all modules that there are."""

import random
import sys
import time
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(2) as pool:
    pool.submit(abs, -1).result()
    real = {time.monotonic: 1, time.monotonic_ns: 10**9}

    def jumping(function, unit):
        return lambda: function() + random.choice((-1, 0, 1)) * 1000 * unit

    for module in list(sys.modules.values()):
        if getattr(module, "__name__", "").startswith(("idlehands", "concurrent")):
            for name, value in list(vars(module).items()):
                if type(value) is type(time.time) and value in real:
                    setattr(module, name, jumping(value, real[value]))
    print(sum(pool.map(abs, range(2000))))
print("ended")
