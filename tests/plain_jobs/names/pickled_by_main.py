"""Functions and classes of the main module are found by worker processes with every start
method.
"""

import dataclasses
import multiprocessing
import pickle
import sys


@dataclasses.dataclass
class Point:
    x: int

    def moved(self):
        return Point(self.x + 1)


def move(point):
    return point.moved()


if __name__ == "__main__":
    print(pickle.loads(pickle.dumps(Point(1))), Point.__module__, move.__module__)
    for method in ("fork", "spawn", "forkserver"):
        with multiprocessing.get_context(method).Pool(2) as pool:
            print(pool.map(move, [Point(1), Point(2)]))
    sys.stdout.flush()
