"""The program runs under cProfile and counts the calls of its own functions."""

import cProfile
import pstats
from concurrent.futures import ThreadPoolExecutor


def work(number):
    return number


def main():
    with ThreadPoolExecutor(1) as pool:
        return sum(pool.map(work, range(20)))


profiler = cProfile.Profile()
print(profiler.runcall(main))
for (path, _, name), figures in sorted(pstats.Stats(profiler).stats.items()):
    if path == __file__:
        print(name, figures[0])
