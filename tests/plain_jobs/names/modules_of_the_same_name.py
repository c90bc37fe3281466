"""A program has modules of its own that are named like parts of a probe."""

import os
import sys

for name in ("wire", "adapters", "_run", "msgpack_", "_notes"):
    with open(f"{name}.py", "w") as file:
        file.write("value = 'own'\n")
import _notes
import _run
import adapters
import wire

print(wire.value, adapters.value, _run.value, _notes.value)
sys.path.append(os.getcwd())
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(1) as pool:
    print(pool.submit(abs, -1).result())
