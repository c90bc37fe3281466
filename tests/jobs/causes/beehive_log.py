"""A beekeeper's threads take hives from a queue, look at them, and write to one log.

The fault: a thread keeps the log's lock until its line is on the disk. Mended: it hands the line
over under the lock and waits for the disk outside it.
"""

from __future__ import annotations

import queue
import threading
import time

from own_measure import compute, lengths, report, scaled, seconds_since, settings


class HiveLog:
    def __init__(self, mended: bool) -> None:
        self.lines: list[str] = []
        self.lock = threading.Lock()
        self.mended = mended

    def write(self, line: str, disk_s: float) -> None:
        with self.lock:
            self.lines.append(line)
            if not self.mended:
                time.sleep(disk_s)
        if self.mended:
            time.sleep(disk_s)


def tend_hives(hives: queue.Queue[tuple[int, float, float] | None], log: HiveLog) -> None:
    while True:
        hive = hives.get()
        if hive is None:
            return
        number, look_s, disk_s = hive
        time.sleep(look_s)
        compute(2000)
        log.write(f"hive {number}: calm", disk_s)
        hives.task_done()


def main() -> None:
    given = settings(hives=720, look_ms=16.0, disk_ms=12.0, mended=False, seed=8)
    number = scaled(given.hives, given.scale)
    looks = lengths(number, given.look_ms / 1e3, given.seed)
    disks = lengths(number, given.disk_ms / 1e3, given.seed + 1, 0.3)
    hives: queue.Queue[tuple[int, float, float] | None] = queue.Queue()
    log = HiveLog(given.mended)
    threads = [threading.Thread(target=tend_hives, args=(hives, log)) for _ in range(6)]
    for thread in threads:
        thread.start()
    began = time.monotonic()
    for hive in zip(range(number), looks, disks):
        hives.put(hive)
    hives.join()
    seconds = seconds_since(began)
    for _ in threads:
        hives.put(None)
    for thread in threads:
        thread.join()
    assert len(log.lines) == number
    report("seconds", seconds)


if __name__ == "__main__":
    main()
