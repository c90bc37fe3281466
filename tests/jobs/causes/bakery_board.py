"""A bakery asks its ovens, in short exchanges, while the main thread draws a board of them.

The fault: the main thread computes all the time and holds the interpreter lock, so that a worker
waits for the lock after each exchange. Mended: another process draws the board.
"""

from __future__ import annotations

import multiprocessing
import threading
import time
from concurrent.futures import ThreadPoolExecutor

from own_measure import compute, lengths, report, scaled, seconds_since, settings

EXCHANGES = 12


def ask_oven(wait_s: float) -> None:
    for _ in range(EXCHANGES):
        time.sleep(wait_s)
        compute(1000)


def draw_board() -> None:
    for column in range(400):
        compute(20 * column)


def draw_until(ended: threading.Event) -> None:
    while not ended.is_set():
        draw_board()


def main() -> None:
    given = settings(ovens=260, mean_ms=3.0, mended=False, seed=6)
    waits = lengths(scaled(given.ovens, given.scale), given.mean_ms / 1e3, given.seed)
    if given.mended:
        context = multiprocessing.get_context("spawn")
        ended = context.Event()
        artist = context.Process(target=draw_until, args=(ended,))
        artist.start()
    with ThreadPoolExecutor(max_workers=4, thread_name_prefix="ovens") as pool:
        began = time.monotonic()
        asked = [pool.submit(ask_oven, wait_s) for wait_s in waits]
        while not given.mended and not all(future.done() for future in asked):
            draw_board()
        for future in asked:
            future.result()
        seconds = seconds_since(began)
    if given.mended:
        ended.set()
        artist.join()
    report("seconds", seconds)


if __name__ == "__main__":
    main()
