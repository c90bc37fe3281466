"""An exception group of errors from tasks ends the program."""

# /// job
# since = "3.11"
# ///
from concurrent.futures import ThreadPoolExecutor


def fail(number):
    raise ValueError(number)


errors = []
with ThreadPoolExecutor(2) as pool:
    for future in [pool.submit(fail, number) for number in range(3)]:
        error = future.exception()
        error.__traceback__ = None
        error.add_note("noted")
        errors.append(error)
raise ExceptionGroup("three of them", errors)
