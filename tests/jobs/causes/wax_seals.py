"""Letters are sealed: the wax is warmed, then pressed with the one stamp.

The fault: the lock of the ledger is held while the wax sets, so that one letter at a time is
sealed. Mended: the lock is held only to write the ledger.
"""

from __future__ import annotations

import threading
import time
from concurrent.futures import ThreadPoolExecutor

from own_measure import compute, lengths, report, scaled, seconds_since, settings

ledger: list[float] = []
ledger_lock = threading.Lock()


def seal_letter(warm_s: float, set_s: float, mended: bool) -> None:
    time.sleep(warm_s)
    compute(1500)
    if mended:
        time.sleep(set_s)
    with ledger_lock:
        if not mended:
            time.sleep(set_s)
        ledger.append(set_s)


def main() -> None:
    given = settings(letters=1100, warm_ms=12.0, set_ms=8.0, mended=False, seed=7)
    number = scaled(given.letters, given.scale)
    warm = lengths(number, given.warm_ms / 1e3, given.seed)
    sets = lengths(number, given.set_ms / 1e3, given.seed + 1)
    with ThreadPoolExecutor(max_workers=8) as pool:
        began = time.monotonic()
        letters = zip(warm, sets)
        sealed = [pool.submit(seal_letter, *letter, given.mended) for letter in letters]
        for future in sealed:
            future.result()
        seconds = seconds_since(began)
    assert len(ledger) == number
    report("seconds", seconds)


if __name__ == "__main__":
    main()
