"""The promises of a work-stealing scheduler: their sentences, their purposes and their sources.

Data only; `promises` and `recorded_promises` judge them.
"""

from __future__ import annotations

from typing import NamedTuple

from ...model.vocabulary import PromiseCode


class Promise(NamedTuple):
    """A promise: its code, what it says, what it is for, and its source."""

    code: PromiseCode
    what: str
    purpose: str
    source: str


PARKS_WHEN_EMPTY = Promise(
    PromiseCode.PARKS_WHEN_EMPTY,
    "workers park only when the whole pool is empty",
    "A worker that parks while work is queued has to be woken for it, and a wake costs more than "
    "the steal attempt that it saved.",
    "R. L. Graham 1966, Bell Syst. Tech. J. 45:1563-1581 (no processor idle while a task is ready)",
)
STAYS_IN_POOL = Promise(
    PromiseCode.STAYS_IN_POOL,
    "nobody takes tasks of another pool",
    "Pools are separate so that one kind of work cannot delay another.",
    "common practice, no source",
)
GREEDY_BOUND = Promise(
    PromiseCode.WITHIN_GREEDY_BOUND,
    "the work takes no longer than a greedy schedule could",
    "A schedule that never leaves a worker idle while a task is ready takes at most "
    "(T1 - Tinf)/P + Tinf; a longer run means idle workers, or overhead between tasks.",
    "R. L. Graham 1966, Bell Syst. Tech. J. 45:1563-1581; CLRS, 3rd edition, theorem 27.1",
)
OWNERS_NEWEST = Promise(
    PromiseCode.OWNERS_TAKE_NEWEST,
    "owners take the newest task of their deque",
    "The newest task's data are still in the cache, the order is that of a serial run, and the "
    "oldest tasks stay for thieves.",
    "D. Chase, Y. Lev 2005, SPAA '05:21-28",
)
THIEVES_OLDEST = Promise(
    PromiseCode.THIEVES_TAKE_OLDEST,
    "thieves take the oldest task of a deque",
    "The oldest task is the furthest from what the owner does next, and the largest where work is "
    "divided.",
    "D. Chase, Y. Lev 2005, SPAA '05:21-28",
)
STOLEN_LARGER = Promise(
    PromiseCode.STOLEN_ARE_LARGER,
    "stolen tasks are the larger ones",
    "A steal costs more than taking an own task, so it should bring more work.",
    "R. D. Blumofe, C. E. Leiserson 1999, J. ACM 46(5):720-748",
)
VICTIMS_EVEN = Promise(
    PromiseCode.VICTIMS_CHOSEN_EVENLY,
    "victims are chosen evenly",
    "The bounds on the number of steals require victims that are chosen at random; a fixed order "
    "sends thieves to the same deques.",
    "R. D. Blumofe, C. E. Leiserson 1999, J. ACM 46(5):720-748",
)
ENDS_NEAR_EMPTY = Promise(
    PromiseCode.ENDS_MEET_NEAR_EMPTY,
    "owners and thieves contend only at near-empty deques",
    "Owner and thief take from opposite ends, so they want the same task only when it is the last. "
    "Waiting at fuller deques makes every push and take slower.",
    "D. Chase, Y. Lev 2005, SPAA '05:21-28",
)
