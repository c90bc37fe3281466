"""Old papers are hashed by two threads; a hash lets the interpreter lock go. No fault."""

from __future__ import annotations

import hashlib
import random
import time
from concurrent.futures import ThreadPoolExecutor

from own_measure import lengths, report, scaled, seconds_since, settings

BYTES_A_MS = 500_000


def hash_paper(paper: bytes, rounds: int) -> str:
    digest = hashlib.blake2b()
    for _ in range(rounds):
        digest.update(paper)
    return digest.hexdigest()


def main() -> None:
    given = settings(papers=360, mean_ms=50.0, seed=37)
    number = scaled(given.papers, given.scale)
    paper = random.Random(given.seed).randbytes(5 * BYTES_A_MS)
    rounds = [round(ms / 5) for ms in lengths(number, given.mean_ms, given.seed)]
    with ThreadPoolExecutor(max_workers=2) as pool:
        began = time.monotonic()
        hashed = [pool.submit(hash_paper, paper, pages) for pages in rounds]
        for future in hashed:
            future.result()
        seconds = seconds_since(began)
    report("seconds", seconds)


if __name__ == "__main__":
    main()
