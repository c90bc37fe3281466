"""A choir's scores are engraved page by page with loky; a work begins when the one before is whole.

The fault: each batch waits for its slowest task. Mended: all pages are handed in at once.
"""

from __future__ import annotations

import time

from loky import get_reusable_executor
from own_measure import compute, lengths, report, scaled, seconds_since, settings

PAGES_A_WORK = 8
SLOWER = 5.0


def engrave(wait_s: float) -> float:
    time.sleep(wait_s)
    compute(3000)
    return wait_s


def main() -> None:
    given = settings(works=24, mean_ms=70.0, mended=False, seed=10)
    number = scaled(given.works, given.scale, 2)
    pages = lengths(number * PAGES_A_WORK, given.mean_ms / 1e3, given.seed, 0.5)
    for work in range(number):
        # The title page of each work is drawn by hand, and is not always the first.
        pages[work * PAGES_A_WORK + (work * 3) % PAGES_A_WORK] *= SLOWER
    executor = get_reusable_executor(max_workers=4)
    list(executor.map(engrave, [0.05] * 8))
    began = time.monotonic()
    size = len(pages) if given.mended else PAGES_A_WORK
    for first in range(0, len(pages), size):
        batch = [executor.submit(engrave, page) for page in pages[first : first + size]]
        for future in batch:
            future.result()
    seconds = seconds_since(began)
    executor.shutdown()
    report("seconds", seconds)


if __name__ == "__main__":
    main()
