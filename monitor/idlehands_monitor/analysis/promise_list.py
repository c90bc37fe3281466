"""The promises of a work-stealing scheduler: what each is called, what it is for, where it is from.

Data; how each is judged is in `promises`.
"""

from __future__ import annotations

from typing import NamedTuple


class Promise(NamedTuple):
    """A promise: its code, what it is for, and where it is from."""

    code: str
    what: str
    purpose: str
    source: str


PARKS_WHEN_EMPTY = Promise(
    "parks-when-empty",
    "workers park only when the whole pool is empty",
    "A worker that parks beside queued work has to be woken for it, which costs more than the "
    "look that it saved.",
    "R. L. Graham 1966, Bell Syst. Tech. J. 45:1563-1581 (no processor idle while a task is ready)",
)
STAYS_IN_POOL = Promise(
    "stays-in-pool",
    "nobody takes tasks of another pool",
    "Pools are kept apart so that one kind of work cannot hold up another.",
    "common practice, no source",
)


GREEDY_BOUND = Promise(
    "within-greedy-bound",
    "the whole takes no longer than a greedy schedule could",
    "A schedule that never idles a worker beside a ready task takes at most (T1 - Tinf)/P + Tinf; "
    "longer means idling, or overhead between tasks.",
    "R. L. Graham 1966, Bell Syst. Tech. J. 45:1563-1581; CLRS, 3rd edition, theorem 27.1",
)
OWNERS_NEWEST = Promise(
    "owners-take-newest",
    "owners take the newest task of their deque",
    "The newest task's data are in the cache still, and the oldest stay for thieves: the order is "
    "that of a serial run.",
    "D. Chase, Y. Lev 2005, SPAA '05:21-28",
)
THIEVES_OLDEST = Promise(
    "thieves-take-oldest",
    "thieves take the oldest task of a deque",
    "The oldest task is the one furthest from what the owner does next, and of divided work the "
    "largest.",
    "D. Chase, Y. Lev 2005, SPAA '05:21-28",
)
STOLEN_LARGER = Promise(
    "stolen-are-larger",
    "stolen tasks are the larger ones",
    "A steal costs more than a task of one's own, so it should bring more work.",
    "R. D. Blumofe, C. E. Leiserson 1999, J. ACM 46(5):720-748",
)
VICTIMS_EVEN = Promise(
    "victims-chosen-evenly",
    "victims are chosen evenly",
    "Bounds on the number of steals stand on choice at random; any order sends thieves to the same "
    "deques.",
    "R. D. Blumofe, C. E. Leiserson 1999, J. ACM 46(5):720-748",
)
ENDS_NEAR_EMPTY = Promise(
    "ends-meet-near-empty",
    "owners and thieves meet only at near-empty deques",
    "With an end each they can want the same task only when it is the last; waiting at fuller "
    "deques makes every push and take pay for the steals.",
    "D. Chase, Y. Lev 2005, SPAA '05:21-28",
)
