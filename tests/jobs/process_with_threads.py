"""A survey: each process measures a valley with threads of its own."""

import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor

from ending import kind, tell


def measure_point(point):
    time.sleep(0.001)
    return point


def measure_valley(valley):
    with ThreadPoolExecutor(2, thread_name_prefix="surveyors") as threads:
        return sum(threads.map(measure_point, range(valley, valley + 5)))


if __name__ == "__main__":
    with ProcessPoolExecutor(2) as pool:
        valleys = [pool.submit(measure_valley, valley) for valley in range(12)]
        for valley in valleys:
            valley.result()
        tell(measure_valley=kind(len(valleys)), measure_point=kind(60))
