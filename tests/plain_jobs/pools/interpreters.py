"""A pool of interpreters (Python 3.14): results, errors, tasks that cannot be sent."""

# /// job
# since = "3.14"
# ///
from concurrent.futures import InterpreterPoolExecutor


def fail():
    raise ValueError("in an interpreter")


if __name__ == "__main__":
    with InterpreterPoolExecutor(2) as pool:
        print(list(pool.map(abs, range(-5, 0))))
        error = pool.submit(fail).exception()
        print(type(error).__name__, error)
        error = pool.submit(lambda: open(__file__)).exception()
        print(type(error).__name__)
