"""multiprocessing.Pool: map, imap, unordered, starmap, apply, callbacks, chunks, replaced
workers.
"""

# /// job
# rounds = ["fork", "spawn", "forkserver"]
# ///
import multiprocessing
import sys
from functools import partial

# A worker process may be replaced, and so forked, at any time: nothing is left in the buffer. While
# one is, the pool may have none for a moment, and divides by their number where no chunk size is
# given.
print = partial(print, flush=True)


def add(first, second=0):
    return first + second


def fail(number):
    raise ValueError(number)


if __name__ == "__main__":
    context = multiprocessing.get_context(sys.argv[1])
    with context.Pool(2, maxtasksperchild=3) as pool:
        print(pool.map(add, range(20), chunksize=3))
        print(list(pool.imap(add, range(10))), sorted(pool.imap_unordered(add, range(10), 2)))
        print(pool.starmap(add, [(1, 2), (3, 4)], 1), pool.apply(add, (1,), {"second": 5}))
        said = []
        pool.apply_async(add, (1, 1), callback=said.append).get()
        pool.apply_async(fail, (3,), error_callback=lambda error: said.append(repr(error))).wait()
        print(said)
        for call in (lambda: pool.map(fail, [1], 1), lambda: list(pool.imap(fail, [1, 2]))):
            try:
                call()
            except ValueError as error:
                print(repr(error))
        print(pool.map(add, [], 1), pool.map_async(add, [1], 1).get(10))
        pool.close()
        pool.join()
    try:
        pool.apply(add, (1,))
    except ValueError as error:
        print(error)
