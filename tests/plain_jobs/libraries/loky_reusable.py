"""loky's reusable executor is used, resized, broken by a dead worker, and used again."""

# /// job
# needs = ["loky"]
# ///
import os
import signal

from loky import get_reusable_executor
from loky.process_executor import TerminatedWorkerError


def double(number):
    return number * 2


def die():
    os.kill(os.getpid(), signal.SIGKILL)


if __name__ == "__main__":
    executor = get_reusable_executor(max_workers=2)
    print(list(executor.map(double, range(5))))
    executor = get_reusable_executor(max_workers=3)
    print(list(executor.map(double, range(5))))
    try:
        executor.submit(die).result()
    except TerminatedWorkerError:
        print("broken")
    executor = get_reusable_executor(max_workers=2)
    print(list(executor.map(double, range(5))))
    executor.shutdown()
