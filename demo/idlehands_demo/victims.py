"""The choice of a victim: uniformly at random among the other workers.

The bound on the running time of randomised work stealing assumes an even choice (R. D. Blumofe, C.
E. Leiserson 1999, "Scheduling multithreaded computations by work stealing", J. ACM 46(5):720-748).
Switches replace it by a fixed order, of which the first victims or all are tried.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from itertools import cycle, islice

from .switches import Switches


def ring_order(index: int, workers: int) -> list[int]:
    """Other workers by distance on the ring from `index`, the next higher one first."""
    by_distance: list[int] = []
    for distance in range(1, workers // 2 + 1):
        for neighbour in ((index + distance) % workers, (index - distance) % workers):
            if neighbour not in by_distance:
                by_distance.append(neighbour)
    return by_distance


class VictimChoice:
    """The victims of worker `index` of `workers`, drawn with a generator of its own."""

    __slots__ = ("_order", "_random", "others")

    def __init__(
        self,
        index: int,
        workers: int,
        generator: random.Random,
        switches: Switches | None = None,
    ) -> None:
        switches = switches or Switches()
        self.others = [other for other in range(workers) if other != index]
        self._random = generator
        self._order: list[int] | None = None
        if switches.victims_in_fixed_order:
            self._order = self.others
        elif switches.victims_nearest_neighbour:
            self._order = ring_order(index, workers)
        if self._order is not None and switches.victims_tried:
            self._order = self._order[: switches.victims_tried]

    def draw(self) -> int:
        """Draw one victim uniformly; each draw is independent of those before.

        Raises `IndexError` when there is no other worker.
        """
        others = self.others
        # The bias of scaling a 53-bit fraction is below 1e-15 and it is far cheaper
        # than drawing an integer.
        return others[int(self._random.random() * len(others))]

    def draws(self, count: int) -> Iterator[int]:
        """Yield `count` victims for one search: independent draws, or the fixed order."""
        if not self.others:
            return iter(())
        if self._order is not None:
            return islice(cycle(self._order), count)
        return (self.draw() for _ in range(count))

    def sweep(self) -> list[int]:
        """Every other worker once: a random permutation, or the fixed order as far as it goes."""
        if self._order is not None:
            return list(self._order)
        order = list(self.others)
        self._random.shuffle(order)
        return order
