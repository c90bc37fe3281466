"""Faults that can be planted into a scenario, by name: what each does, shows, and what mends it.

The names of findings and promises are those that `idlehands` prints; nothing here reads them.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import Enum

from .plan import Plan
from .switches import Switches


class PoolChoice(str, Enum):
    """The pools in which a scenario can run: the demonstration's own, or a stock pool."""

    STEALING = "stealing"
    THREADS = "threads"
    PROCESSES = "processes"


STEALING = frozenset({PoolChoice.STEALING})
IN_THREADS = STEALING | {PoolChoice.THREADS}
ALL_POOLS = frozenset(PoolChoice)
STOCK = ALL_POOLS - STEALING


@dataclass(frozen=True)
class Fault:
    """One planted fault: another plan, or switches of the pool.

    `shows` is the code of the finding, or of the broken promise, that a person should see, and
    `mended_by` the change that undoes the fault. `second_plan` is that of the second archive of
    `twin-archives`, None for the same. `scenario`: the only scenario in which it can be planted,
    empty for any. `pools`: those that can carry it. `least_workers`: with fewer it would not end.
    """

    name: str
    description: str
    shows: str = ""
    mended_by: str = ""
    plan: Plan = field(default_factory=Plan)
    switches: Switches = field(default_factory=Switches)
    second_plan: Plan | None = None
    scenario: str = ""
    pools: frozenset[PoolChoice] = STEALING
    least_workers: int = 1

    def mended(self) -> Fault:
        """Return the run without this fault: the pool as it should be, or the healthy plan."""
        if self.switches != Switches():
            return replace(self, name=f"{self.name}, mended", switches=Switches())
        return replace(NO_FAULT, scenario=self.scenario)


NO_FAULT = Fault("none", "nothing is wrong", pools=ALL_POOLS)

LONG_FIRST = Plan(
    stations=29, batches_in_flight=1, delay_factor=0.5, flat=True, long_station=0, long_factor=4.0
)
"""A batch is one long tape, spawned first, and what 7 other workers read meanwhile. Thieves that
take the oldest task begin with the long tape."""

LONG_LAST = replace(LONG_FIRST, long_station=LONG_FIRST.stations - 1)
"""The same with the long tape spawned last: an owner that takes its newest task begins with it."""

WIDE = Plan(stations=16, days=40, batches_in_flight=1)
"""Wide batches, one at a time: all tasks of a batch come from the deque of the worker that began
it, so thieves must find their way to them."""

OF_THE_SCHEDULER = (
    Fault(
        "early-park",
        "a worker parks after one failed steal attempt",
        "starved-beside-work: workers are parked while tasks are queued",
        "park only when every deque and the inbox are empty",
        switches=Switches(parks_after_one_failed_attempt=True),
    ),
    Fault(
        "fixed-victims",
        "every thief tries worker 0 and nobody else",
        "uneven-victims: all steal attempts go to one worker",
        "draw each victim at random, anew for every attempt",
        plan=WIDE,
        switches=Switches(victims_in_fixed_order=True, victims_tried=1),
    ),
    Fault(
        "nearest-neighbour",
        "every thief tries its next neighbour and nobody else",
        "uneven-victims: steal attempts go to the next neighbour",
        "draw each victim at random, anew for every attempt",
        plan=WIDE,
        switches=Switches(victims_nearest_neighbour=True, victims_tried=1),
    ),
    Fault(
        "thieves-take-newest",
        "thieves take the newest task: the long one, spawned first, is begun last",
        "wrong-steal-end: thieves took the newest tasks",
        "let thieves take the oldest task of a deque",
        plan=LONG_FIRST,
        switches=Switches(thieves_take_newest=True),
    ),
    Fault(
        "owners-take-oldest",
        "owners take their oldest task: the long one, spawned last, is begun last",
        "wrong-steal-end: owners took the oldest tasks",
        "let owners take the newest task of their deque",
        plan=LONG_LAST,
        switches=Switches(owners_take_oldest=True),
    ),
    Fault(
        "global-lock",
        "one lock, with a journal under it, is held around every operation on any deque",
        "deque-contention: operations at deques waited for each other",
        "give each deque its own ends, and keep the journal outside",
        switches=Switches(global_lock_around_deques=True),
    ),
    Fault(
        "nested-wait",
        "a worker that joins a task waits idly for it",
        "nested-wait: workers wait for tasks of their own pool",
        "help with other tasks while joining, or join outside the pool",
        switches=Switches(joins_block=True),
        pools=IN_THREADS,
        least_workers=4,
    ),
    Fault(
        "crossed-pools",
        "thieves of a quick archive also take the long tasks of the other pool",
        "the broken promise stays-in-pool: workers took tasks of the other pool",
        "let thieves steal in their own pool only",
        switches=Switches(steals_across_pools=True),
        second_plan=Plan(delay_factor=20.0, batches_in_flight=8),
        scenario="twin-archives",
    ),
)

OF_THE_FEEDING = (
    Fault(
        "single-station",
        "one station-day after the other: work for one worker at a time",
        "too-little-parallelism: one chain of tasks, and the other workers have no work",
        "hand in independent station-days together",
        plan=Plan(chained=True, batches_in_flight=1),
        pools=ALL_POOLS,
    ),
    Fault(
        "too-few-workers",
        "a pool of 2 workers for work that mostly waits",
        "too-few-workers: tasks wait, cores idle, and work is queued",
        "as many workers as station-days in flight (8)",
        plan=Plan(workers=2),
        pools=ALL_POOLS,
    ),
    Fault(
        "barrier-wait",
        "a group of station-days is handed in when the last of the group before has ended",
        "barrier-wait: a group waits for its slowest task",
        "hand in the next station-day whenever one has ended",
        plan=Plan(barrier=True, uneven=True),
        pools=ALL_POOLS,
    ),
    Fault(
        "slow-submitter",
        "the one submitter computes longer for each batch than the workers take to read it",
        "slow-submitter: workers wait for the thread that hands in",
        "prepare batches beside each other, or ahead of time",
        plan=Plan(prepare=0.04),
        pools=ALL_POOLS,
    ),
    Fault(
        "growing-backlog",
        "tapes take twice as long, and batches come at the old pace",
        "growing-backlog: more is handed in than the workers can run",
        "twice the workers, or hand in only when a batch has ended",
        plan=Plan(delay_factor=2.0, paced=True, days=20_000),
        pools=ALL_POOLS,
    ),
    Fault(
        "grain-too-coarse",
        "a batch is one task: more workers than tasks",
        "grain-too-coarse too-little-parallelism: few large tasks, and workers without work",
        "a task for each station-day",
        plan=Plan(whole_batches=True),
        pools=ALL_POOLS,
    ),
    Fault(
        "grain-too-fine",
        "the 512 pages of each tape are checked in a task each",
        "grain-too-fine: the tasks are too small for their overhead",
        "check all pages of a tape in one task",
        plan=Plan(pages=512),
        pools=STOCK,
    ),
)

OF_THE_TASKS = (
    Fault(
        "slow-tapes",
        "after some seconds drives begin to rewind, for three times the usual wait for a tape",
        "blocked-in-task: station-day takes four times as long as before, and sleeps in rewind",
        "let the drive rewind after the task has ended",
        plan=Plan(days=20_000, rewind=3.0, rewind_from=150),
        pools=ALL_POOLS,
    ),
    Fault(
        "lock-wait",
        "one lock around the tape drives: one tape is wound at a time",
        "lock-wait: workers wait for the lock taken in wind",
        "a lock for each drive",
        plan=Plan(one_lock=True),
        pools=IN_THREADS,
    ),
    Fault(
        "interpreter-lock",
        "tapes are searched in plain Python instead of wound",
        "interpreter-lock: one thread at a time runs Python, in search_plainly",
        "search outside the interpreter lock, or in processes",
        plan=Plan(computing=True),
        pools=IN_THREADS,
    ),
    Fault(
        "stuck-worker",
        "the tapes of one day never come: four tasks and their batch do not end",
        "stuck-worker: tasks have run since the start, in _wait_for_lost_tape",
        "give the wait for a tape a time limit",
        plan=Plan(stuck_days=range(3, 4)),
        pools=IN_THREADS,
    ),
    Fault(
        "failing-tasks",
        "four of ten readings fail and are made again",
        "failing-tasks: the share of station-days that raise UnreadableTape",
        "mend what makes readings fail",
        plan=Plan(failing=0.4),
        pools=ALL_POOLS,
    ),
    Fault(
        "slow-hand-over",
        "each task takes 16 MiB along to its worker process",
        "slow-hand-over: arguments are serialised and copied",
        "hand over only the tape",
        plan=Plan(ballast=16 << 20),
        pools=frozenset({PoolChoice.PROCESSES}),
    ),
)

FAULTS: dict[str, Fault] = {
    fault.name: fault for fault in (*OF_THE_SCHEDULER, *OF_THE_FEEDING, *OF_THE_TASKS)
}
