"""The stitches of many small patches are counted with joblib.

The fault: batches of one call, which takes about 50 µs. Mended: 250 calls in a batch.
"""

from __future__ import annotations

import time

from joblib import Parallel, delayed
from own_measure import compute, report, scaled, seconds_since, settings


def count_stitches(patch: int) -> int:
    return compute(1750 + patch % 100)


def main() -> None:
    given = settings(patches=14_000, chunk=0, mended=False, seed=12)
    patches = range(given.seed, given.seed + scaled(given.patches, given.scale, 500))
    batch = given.chunk or (250 if given.mended else 1)
    with Parallel(n_jobs=2, batch_size=batch) as parallel:
        parallel(delayed(count_stitches)(patch) for patch in range(8))
        began = time.monotonic()
        stitches = sum(parallel(delayed(count_stitches)(patch) for patch in patches))
        seconds = seconds_since(began)
    assert stitches > 0
    report("seconds", seconds)


if __name__ == "__main__":
    main()
