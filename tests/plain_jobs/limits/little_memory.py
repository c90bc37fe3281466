"""A program may have little address space: MemoryError comes where it would, and tasks go on."""

import resource
from concurrent.futures import ThreadPoolExecutor

resource.setrlimit(resource.RLIMIT_AS, (600 << 20, 600 << 20))
with ThreadPoolExecutor(2) as pool:
    print(list(pool.map(abs, range(-3, 0))))
    for _ in range(3):
        print(type(pool.submit(bytearray, 1 << 30).exception()).__name__)
    taken = []
    try:
        while True:
            taken.append(bytearray(1 << 20))
    except MemoryError:
        del taken
        print("MemoryError")
    print(list(pool.map(abs, range(-3, 0))))
