"""What sending a task's row takes in the plainest way, of what row 2 of `probe_cost.py` leaves.

The row is a tuple of as many integers as the probe sends of a task. A thread takes the rows five
times a second, puts them into one array of 64-bit integers and writes that into a socket, which
another process drains. Nothing is framed, counted or checked. A benchmark, never a test: it exits
with 0 whatever it finds. `docs/benchmarks.md` says how it is judged.
"""

from __future__ import annotations

import os
import socket
import sys
import threading
from array import array
from collections import deque
from itertools import chain
from time import monotonic_ns, process_time_ns, sleep
from typing import Any, Callable

from pool_hooks import Queue, Variant, patched, plain, plain_run, probe, run_items
from probe_cost import ATTACHED_BAR, LONG_CHUNKS, WARM_UP_TASKS, a_little
from support import Row, arguments, finish, interleaved, median_over

from idlehands.wire import SPAWNS, TASKS

SHIPPED_EVERY = 0.2
AT_ONCE = 4096
MOST_ROWS = 1 << 16
"""Enough for what comes between two sendings; rows that nobody sends go, the oldest first."""
REST = (0,) * (len(TASKS.names) + len(SPAWNS.names) - 3)
"""All of a row but the three moments that are read from the clock."""


class Shipper:
    """A deque of rows and the thread that sends them while it `is_on`."""

    def __init__(self) -> None:
        self.rows: deque[tuple[int, ...]] = deque(maxlen=MOST_ROWS)
        self.is_on = False
        self._ours, theirs = socket.socketpair()
        self._drain = os.fork()
        if self._drain == 0:
            self._ours.close()
            while theirs.recv(1 << 18):
                pass
            os._exit(0)
        theirs.close()
        threading.Thread(target=self._ship, daemon=True).start()

    def _ship(self) -> None:
        take = self.rows.popleft
        while True:
            sleep(SHIPPED_EVERY)
            while self.is_on and self.rows:
                some = [take() for _ in range(min(AT_ONCE, len(self.rows)))]
                self._ours.sendall(array("q", chain.from_iterable(some)))

    def finish(self) -> None:
        """Wait until all that was kept has been sent."""
        while self.rows:
            sleep(0.005)

    def close(self) -> None:
        """End the process that drains."""
        self._ours.close()
        os.kill(self._drain, 15)
        os.waitpid(self._drain, 0)


def kept(shipper: Shipper) -> Variant:
    """Return the hook: two clock reads and one append, as the floor of `probe_cost.py`."""
    items, rows = Queue(), shipper.rows
    put_plain = items.put

    def put(item: Any, block: bool = True, timeout: float | None = None) -> None:
        item.token = monotonic_ns()
        put_plain(item)

    def run(item: Any) -> None:
        began = monotonic_ns()
        plain_run(item)
        rows.append((item.token, began, monotonic_ns(), *REST))

    items.put = put  # type: ignore[method-assign]
    return Variant(items, run)


def main() -> int:
    """Measure the hook, the hook with its rows shipped, and the probe with nobody attached."""
    options = arguments(__doc__.splitlines()[0], rounds=20, tasks=1000).parse_args()
    rounds = 3 if options.quick else options.rounds
    count = options.tasks * LONG_CHUNKS
    shipper = Shipper()

    def measure(variant: Variant, *, ship: bool = False) -> Callable[[], float]:
        def run() -> float:
            shipper.rows.clear()
            shipper.is_on = ship
            with patched(variant):
                run_items(variant, WARM_UP_TASKS, a_little)
                began = process_time_ns()
                run_items(variant, count, a_little)
                if ship:
                    shipper.finish()
                return (process_time_ns() - began) / count

        return run

    hook = kept(shipper)
    variants = {
        "plain": measure(plain()),
        "kept": measure(hook),
        "shipped": measure(hook, ship=True),
        "probe": measure(probe()),
    }
    cpu = interleaved(variants, rounds)
    shipper.close()
    shipping = median_over(cpu["shipped"], cpu["kept"])
    alone = median_over(cpu["probe"], cpu["plain"])
    left = (ATTACHED_BAR - 1) * alone
    said = f"sending {shipping:.0f} ns, the probe with nobody attached {alone:.0f} ns of CPU"
    row = Row("sending in the plainest way, of what row 2 leaves", said, shipping / left, 1.0)
    return finish(options, [row], [])


if __name__ == "__main__":
    sys.exit(main())
