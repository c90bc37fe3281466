"""Arguments and results of a megabyte each go through process pools, many at a time."""

from concurrent.futures import ProcessPoolExecutor
from multiprocessing import Pool


def work(data):
    return data[::-1]


if __name__ == "__main__":
    payloads = [bytes([number]) * 1_000_000 for number in range(12)]
    with ProcessPoolExecutor(2) as pool:
        print(list(pool.map(work, payloads)) == payloads)
        print(sum(pool.map(len, [b"x" * n for n in range(500)], chunksize=7)))
    with Pool(2) as pool:
        print(pool.map(work, payloads) == payloads, sum(pool.imap_unordered(len, payloads)))
