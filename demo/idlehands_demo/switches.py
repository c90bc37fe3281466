"""Switches of the work-stealing pool: each breaks one promise of the scheduler on purpose.

All are off by default. With one of them on, everything else about the pool stays as it is, so a
change in a profile comes from that one promise.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Switches:
    """Which promises the pool breaks.

    `victims_in_fixed_order`: steal attempts go to the victims in ascending index, always from
    the lowest, instead of to victims drawn uniformly at random.
    `victims_nearest_neighbour`: steal attempts go to the victims by their distance on the ring
    of workers, the next higher index first.
    `victims_tried`: with either order, so many of its first victims are tried and no others; 0
    stands for all.
    `thieves_take_newest`: a thief takes the newest task of a deque instead of the oldest.
    `owners_take_oldest`: an owner takes its oldest task instead of its newest.
    `parks_after_one_failed_attempt`: a thief parks after one failed attempt instead of after
    it has found every deque empty. It still takes from the inbox, because a task left there
    while every worker is parked would never run.
    `steals_across_pools`: a thief that finds nothing in its own pool takes the oldest task
    of a deque of the pool's twin. Without a twin it changes nothing.
    `global_lock_around_deques`: one lock is held around every operation on any deque, and
    a journal is kept under it.
    `joins_block`: a worker that joins a task does nothing else until that task has ended.

    Raises `ValueError` when both victim orders are asked for, or a number of victims without one.
    """

    victims_in_fixed_order: bool = False
    victims_nearest_neighbour: bool = False
    victims_tried: int = 0
    thieves_take_newest: bool = False
    owners_take_oldest: bool = False
    parks_after_one_failed_attempt: bool = False
    steals_across_pools: bool = False
    global_lock_around_deques: bool = False
    joins_block: bool = False

    def __post_init__(self) -> None:
        if self.victims_in_fixed_order and self.victims_nearest_neighbour:
            raise ValueError("victims have one order: fixed or nearest neighbour, not both")
        ordered = self.victims_in_fixed_order or self.victims_nearest_neighbour
        if self.victims_tried < 0 or (self.victims_tried and not ordered):
            raise ValueError("only victims in an order can be tried in part")
