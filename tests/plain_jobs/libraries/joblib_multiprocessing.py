"""joblib runs a list of calls on worker processes of its multiprocessing backend."""

# /// job
# needs = ["joblib"]
# ///
from math import sqrt

from joblib import Parallel, delayed

if __name__ == "__main__":
    for _ in range(2):
        print(
            Parallel(n_jobs=2, backend="multiprocessing")(delayed(sqrt)(n * n) for n in range(20))
        )
    with Parallel(n_jobs=2, backend="multiprocessing") as parallel:
        print(sum(parallel(delayed(abs)(-n) for n in range(50))))
