"""A grain store measures its bins with a pool of processes."""

from multiprocessing import Pool

from ending import kind, tell


def measure(bin_number):
    return bin_number % 11


if __name__ == "__main__":
    with Pool(2) as pool:
        measured = pool.map(measure, range(120), chunksize=10)
        tell(measure=kind(12, calls=len(measured)))
