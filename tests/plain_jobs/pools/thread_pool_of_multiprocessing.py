"""multiprocessing's ThreadPool: every method, errors, closing, terminating with tasks queued."""

import time
from multiprocessing.pool import ThreadPool


def fail(number):
    raise ValueError(number)


with ThreadPool(2) as pool:
    print(pool.map(abs, range(-9, 0)), list(pool.imap(abs, range(-3, 0))))
    print(sorted(pool.imap_unordered(abs, range(-3, 0))), pool.starmap(divmod, [(7, 2)]))
    print(pool.apply(max, (1, 2)), pool.map_async(abs, [-1]).get(5))
    for call in (
        lambda: pool.map(fail, [1]),
        lambda: list(pool.imap(fail, [1])),
        lambda: pool.apply(fail, (2,)),
    ):
        try:
            call()
        except ValueError as error:
            print(repr(error))
pool = ThreadPool(1)
pool.map_async(time.sleep, [0.01] * 1000)
pool.terminate()
pool.join()
print("terminated", repr(pool).split(" ")[0], pool._state)
