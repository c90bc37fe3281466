"""joblib runs lists of calls on the worker processes that it keeps."""

# /// job
# needs = ["joblib"]
# ///
from math import sqrt

from joblib import Parallel, delayed


def fail(number):
    raise ValueError(number)


if __name__ == "__main__":
    for _ in range(2):
        print(Parallel(n_jobs=2)(delayed(sqrt)(n * n) for n in range(20)))
    try:
        Parallel(n_jobs=2)(delayed(fail)(n) for n in range(1))
    except ValueError as error:
        print("ValueError", error)
