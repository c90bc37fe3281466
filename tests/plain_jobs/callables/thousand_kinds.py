"""A thousand tasks with names of four thousand letters each, all different."""

from concurrent.futures import ThreadPoolExecutor


def make(number):
    def work():
        return number

    work.__qualname__ = f"{number}" + "x" * 4000
    work.__module__ = "y" * 4000
    return work


with ThreadPoolExecutor(2) as pool:
    print(sum(pool.map(lambda work: work(), [make(n) for n in range(1000)])))
    print(sum(future.result() for future in [pool.submit(make(n)) for n in range(1000)]))
