"""Ropes are twisted by two worker processes on two cores.

The fault: a backup is packed by two further processes, which take half of the cores. Mended: the
backup is made at another time.
"""

from __future__ import annotations

import multiprocessing
import os
import time
import zlib
from concurrent.futures import ProcessPoolExecutor

from own_measure import LOOPS_A_MS, compute, lengths, report, scaled, seconds_since, settings


def twist_rope(loops: int) -> int:
    return compute(loops)


def pack_backup(seconds: float, owner: int) -> None:
    ends = time.monotonic() + seconds
    page = bytes(range(256)) * 2000
    while time.monotonic() < ends and os.getppid() == owner:
        zlib.compress(page, 6)


def main() -> None:
    given = settings(ropes=260, mean_ms=34.0, longest_s=30.0, mended=False, seed=28)
    number = scaled(given.ropes, given.scale)
    loops = [round(LOOPS_A_MS * ms) for ms in lengths(number, given.mean_ms, given.seed)]
    packers = [
        multiprocessing.Process(target=pack_backup, args=(given.longest_s, os.getpid()))
        for _ in range(0 if given.mended else 2)
    ]
    for packer in packers:
        packer.start()
    with ProcessPoolExecutor(max_workers=2) as pool:
        began = time.monotonic()
        for future in [pool.submit(twist_rope, rope) for rope in loops]:
            future.result()
        seconds = seconds_since(began)
    for packer in packers:
        packer.kill()
        packer.join()
    report("seconds", seconds)


if __name__ == "__main__":
    main()
