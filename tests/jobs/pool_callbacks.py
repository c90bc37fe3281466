"""A bindery sews books and hears of each by a callback; crooked ones raise."""

from multiprocessing import Pool

from ending import kind, tell


def sew(book):
    if book % 8 == 3:
        raise RuntimeError("crooked")
    return book


if __name__ == "__main__":
    sewn, crooked = [], []
    with Pool(2) as pool:
        for book in range(40):
            pool.apply_async(sew, (book,), callback=sewn.append, error_callback=crooked.append)
        pool.close()
        pool.join()
        tell(sew=kind(len(sewn) + len(crooked), len(crooked)))
