"""The changes that are tried when none is asked for: those that can apply to a run. Pure."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from ...model import changes as ask
from ...model.whatif import Arrivals
from .grain import FIXED_NS
from .program import Do
from .rules import Taking

if TYPE_CHECKING:
    from collections.abc import Iterator

    from .scenario import Scenario

MOST_KINDS = 3
"""So many kinds, those with the most time, are tried faster."""
HALF = 0.5
SMALL = 0.05
"""What a pool needs around a task may be so large a part of the task: chosen."""
PIECES_EACH = 8
"""So many pieces are left for each worker, so that they end at about the same time: chosen."""
LEAST_SHARE = 0.05
"""A kind, a wait or an overhead with less than this share of all work is not worth a change."""


def all_changes(scenario: Scenario, *, with_curve: bool) -> tuple[ask.Changes, ...]:
    """Return what to try, one change each. with_curve: numbers of workers are tried elsewhere."""
    return tuple((change,) for change in _all(scenario, with_curve=with_curve))


def _all(scenario: Scenario, *, with_curve: bool) -> Iterator[ask.Change]:
    present = scenario.workers
    if not with_curve:
        yield from (ask.Workers(n) for n in (present // 2, present * 2, present * 4) if n)
    if scenario.machine.one_lock:
        yield ask.NoInterpreterLock()
    yield ask.Cores(max(1.0, round(scenario.machine.cores)) * 2)
    if scenario.arrivals is not Arrivals.OPEN:  # there a piece is no task that anybody waits for
        yield from (*_larger(scenario), ask.Grain(HALF))
    yield from _kinds(scenario)
    if any(do == Do.ACQUIRE for steps in scenario.program.steps for do, _ in steps):
        yield from (ask.SplitLock(), ask.SplitLock(4))
    yield from _scheduler(scenario)
    if scenario.machine.foreign > 0:
        yield ask.Undisturbed()
    if scenario.machine.of_the_job >= HALF:
        yield ask.OnlyWorkers()
    yield from _hand_ins(scenario)


def _larger(scenario: Scenario) -> Iterator[ask.Change]:
    """Pieces twice as large, and pieces so large that what is around them hardly counts."""
    yield ask.Grain(2)
    program, overheads = scenario.program, scenario.teams[0].overheads
    over_ns = overheads.dispatch_ns + overheads.hand_over_ns + overheads.feed_ns
    tasks = len(program.steps)
    enough = min(over_ns, FIXED_NS) * tasks / (SMALL * max(1, program.work_ns))
    factor = min(enough, tasks / (PIECES_EACH * scenario.workers))
    if factor >= 4:
        yield ask.Grain(2 ** int(math.log2(factor)))


def _hand_ins(scenario: Scenario) -> Iterator[ask.Change]:
    if scenario.arrivals is Arrivals.CLOSED:
        yield ask.InFlight(2)
    if scenario.arrivals is Arrivals.BATCH:
        if scenario.program.gates:
            yield ask.HandInAtOnce()
        if any(scenario.program.comes_ns.values()):
            yield ask.HandInFaster(HALF)


def _kinds(scenario: Scenario) -> Iterator[ask.Change]:
    work: dict[int, int] = {}
    off: dict[int, int] = {}
    for kind, steps in zip(scenario.kinds, scenario.program.steps, strict=True):
        work[kind] = work.get(kind, 0) + sum(number for do, number in steps if do <= Do.OFF)
        off[kind] = off.get(kind, 0) + sum(number for do, number in steps if do == Do.OFF)
    least = LEAST_SHARE * max(1, sum(work.values()))
    most = sorted((kind for kind in work if kind >= 0), key=lambda kind: -work[kind])[:MOST_KINDS]
    for kind in most:
        if work[kind] >= least:
            yield ask.KindTime(scenario.names[kind], HALF)
        if off[kind] >= least:
            yield ask.KindWait(scenario.names[kind], HALF)


def _scheduler(scenario: Scenario) -> Iterator[ask.Change]:
    rules, overheads = scenario.teams[0].rules, scenario.teams[0].overheads
    if not rules.wakes or overheads.poll_ns or rules.taking is Taking.DEQUES:
        yield ask.WakeAtOnce()
    if rules.attempts:
        yield ask.ParkWhenEmpty()
    if rules.taking is Taking.DEQUES:
        if not rules.random_victims:
            yield ask.EvenVictims()
        if not (rules.owners_newest and rules.thieves_oldest):
            yield ask.RightEnds()
    over_ns = overheads.hand_over_ns + overheads.dispatch_ns + overheads.feed_ns
    if over_ns > 0 and not scenario.machine.one_lock:
        yield ask.HandOver(HALF)
