"""A reading room fetches volumes, one thread a shelf."""

import time

from ending import kind, tell
from joblib import Parallel, delayed


def fetch(volume):
    time.sleep(0.002)
    return volume


if __name__ == "__main__":
    with Parallel(n_jobs=3, backend="threading", batch_size=4) as parallel:
        fetched = parallel(delayed(fetch)(volume) for volume in range(60))
        tell(fetch=kind(None, calls=len(fetched)))
