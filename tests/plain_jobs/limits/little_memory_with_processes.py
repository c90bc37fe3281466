"""Process pools with little address space left, for their owner and for their workers."""

import resource
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import Pool


def limit():
    with open("/proc/self/statm") as file:
        used = int(file.read().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (used + (20 << 20), resource.RLIM_INFINITY))


if __name__ == "__main__":
    with ProcessPoolExecutor(1, initializer=limit) as pool:
        print(pool.submit(abs, -1).result())
        print(type(pool.submit(bytearray, 50 << 20).exception()).__name__)
    for size in (1, 4, 16, 64):
        resource.setrlimit(resource.RLIMIT_AS, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
        with Pool(size) as pool:
            print(pool.map(abs, range(-3, 0)))
