"""A post office sorts letters as they come, seven to a bundle."""

from multiprocessing import Pool

from ending import kind, tell


def sort_letter(letter):
    return letter % 26


if __name__ == "__main__":
    with Pool(3) as pool:
        letters = sum(1 for _ in pool.imap_unordered(sort_letter, range(70), chunksize=7))
        tell(sort_letter=kind(10, calls=letters))
