"""joblib's generators, nested calls and batches come out as they went in."""

# /// job
# needs = ["joblib"]
# ///
from joblib import Parallel, delayed


def inner(number):
    return number + 1


def outer(number):
    return sum(Parallel(n_jobs=2, prefer="threads")(delayed(inner)(number) for _ in range(4)))


if __name__ == "__main__":
    for backend in ("loky", "threading", "multiprocessing"):
        results = Parallel(n_jobs=2, backend=backend, batch_size=3)(
            delayed(outer)(number) for number in range(7)
        )
        print(backend, results)
