"""Changes made to a scenario: each type of `model.changes`, one function. Pure."""

from __future__ import annotations

from dataclasses import replace
from functools import singledispatch
from statistics import median
from typing import TYPE_CHECKING
from zlib import crc32

from ...model import changes as ask
from ...model.whatif import Arrivals
from .grain import regrained
from .program import Do
from .shaping import reshaped, scaled, with_waits

if TYPE_CHECKING:
    from .program import Program
    from .rules import Overheads, Rules
    from .scenario import Scenario

OWN = frozenset({Do.CORE, Do.LOCKED, Do.OFF})


def changed(scenario: Scenario, changes: ask.Changes) -> Scenario:
    """Return a scenario with all changes made, one after the other."""
    for change in changes:
        scenario = _made(change, scenario)
    return scenario


@singledispatch
def _made(change: ask.Change, scenario: Scenario) -> Scenario:
    raise NotImplementedError(f"no simulation of {change}")


@_made.register(ask.Workers)
def _(change: ask.Workers, scenario: Scenario) -> Scenario:
    return scenario.with_workers(change.number)


@_made.register(ask.Cores)
def _(change: ask.Cores, scenario: Scenario) -> Scenario:
    return replace(scenario, machine=replace(scenario.machine.undisturbed, cores=change.number))


@_made.register(ask.NoInterpreterLock)
def _(_: ask.NoInterpreterLock, scenario: Scenario) -> Scenario:
    machine = replace(scenario.machine, one_lock=False, lock_others=0.0)
    program = with_waits(scenario.program, 1 / scenario.turns)
    freed = replace(scenario, machine=machine, program=program, turns=1.0)
    return _with_overheads(freed, dispatch_locked=False)


@_made.register(ask.Grain)
def _(change: ask.Grain, scenario: Scenario) -> Scenario:
    return regrained(scenario, change.factor)


@_made.register(ask.KindTime)
def _(change: ask.KindTime, scenario: Scenario) -> Scenario:
    return _of_kind(scenario, change.kind, change.factor, OWN)


@_made.register(ask.KindWait)
def _(change: ask.KindWait, scenario: Scenario) -> Scenario:
    return _of_kind(scenario, change.kind, change.factor, frozenset({Do.OFF}))


@_made.register(ask.AsBefore)
def _(change: ask.AsBefore, scenario: Scenario) -> Scenario:
    return _of_kind(scenario, change.kind, change.factor, OWN)


@_made.register(ask.SplitLock)
def _(change: ask.SplitLock, scenario: Scenario) -> Scenario:
    parts = change.parts
    locks = (Do.ACQUIRE, Do.RELEASE)

    def split(task: int, steps: tuple[tuple[int, int], ...]) -> tuple[tuple[int, int], ...]:
        part = crc32(task.to_bytes(8, "little")) % parts if parts else 0  # as if by chance
        if not any(do in locks for do, _ in steps):
            return steps
        if not parts:
            return tuple(step for step in steps if step[0] not in locks)
        return tuple(
            (do, number * parts + part) if do in locks else (do, number) for do, number in steps
        )

    return replace(scenario, program=reshaped(scenario.program, split))


@_made.register(ask.WakeAtOnce)
def _(_: ask.WakeAtOnce, scenario: Scenario) -> Scenario:
    return _with_rules(_with_overheads(scenario, wake_ns=0.0, poll_ns=0.0), wakes=True)


@_made.register(ask.ParkWhenEmpty)
def _(_: ask.ParkWhenEmpty, scenario: Scenario) -> Scenario:
    return _with_rules(scenario, attempts=0)


@_made.register(ask.EvenVictims)
def _(_: ask.EvenVictims, scenario: Scenario) -> Scenario:
    return _with_rules(scenario, random_victims=True, tried=())


@_made.register(ask.RightEnds)
def _(_: ask.RightEnds, scenario: Scenario) -> Scenario:
    return _with_rules(scenario, owners_newest=True, thieves_oldest=True)


@_made.register(ask.OnePool)
def _(_: ask.OnePool, scenario: Scenario) -> Scenario:
    team = replace(scenario.teams[0], workers=scenario.workers)
    return replace(scenario, teams=(team,), program=replace(scenario.program, teams=()))


@_made.register(ask.HandInAtOnce)
def _(_: ask.HandInAtOnce, scenario: Scenario) -> Scenario:
    comes = dict.fromkeys(scenario.program.from_outside(), 0)
    program = replace(scenario.program, comes_ns=comes, after={}, gates={})
    return replace(scenario, program=program, arrivals=Arrivals.BATCH)


@_made.register(ask.Undisturbed)
def _(_: ask.Undisturbed, scenario: Scenario) -> Scenario:
    return replace(scenario, machine=scenario.machine.undisturbed)


@_made.register(ask.OnlyWorkers)
def _(_: ask.OnlyWorkers, scenario: Scenario) -> Scenario:
    machine = scenario.machine
    return replace(scenario, machine=replace(machine, others=machine.foreign, of_the_job=0.0))


@_made.register(ask.HandInFaster)
def _(change: ask.HandInFaster, scenario: Scenario) -> Scenario:
    old = scenario.program
    comes = {task: round(at * change.factor) for task, at in old.comes_ns.items()}
    gates = {
        task: (count, round(later * change.factor)) for task, (count, later) in old.gates.items()
    }
    return replace(scenario, program=replace(old, comes_ns=comes, gates=gates))


@_made.register(ask.InFlight)
def _(change: ask.InFlight, scenario: Scenario) -> Scenario:
    """The gate of a task opens as many ends earlier as there are more tasks in flight."""
    old = scenario.program
    now = _in_flight(old)
    more = round(now * change.factor) - now
    gates = {task: (max(0, count - more), later) for task, (count, later) in old.gates.items()}
    return replace(scenario, program=replace(old, gates=gates))


def _in_flight(program: Program) -> int:
    """Return how many tasks are in flight when one with a gate comes, the median; of a program
    without gates how many come by themselves. A burst at the beginning counts for nothing."""
    by_themselves = len(program.comes_ns)
    counts = sorted(count for count, _ in program.gates.values())
    flights = [by_themselves + place + 1 - count for place, count in enumerate(counts)]
    return int(median(flights)) if flights else by_themselves


@_made.register(ask.HandOver)
def _(change: ask.HandOver, scenario: Scenario) -> Scenario:
    factor = change.factor
    if scenario.piped:
        scenario = _made(ask.HandInFaster(factor), scenario)
    teams = tuple(
        replace(
            team,
            overheads=replace(
                team.overheads,
                hand_over_ns=team.overheads.hand_over_ns * factor,
                feed_ns=team.overheads.feed_ns * factor,
                dispatch_ns=team.overheads.dispatch_ns * factor,
            ),
        )
        for team in scenario.teams
    )
    return replace(scenario, teams=teams)


def kind_number(names: tuple[str, ...], asked: str) -> int:
    """Return the number of the kind that is called so, without its module where that is enough.

    Raises ValueError where none is, or several are.
    """
    if asked in names:
        return names.index(asked)
    found = [number for number, name in enumerate(names) if name.rpartition(".")[2] == asked]
    if len(found) != 1:
        which = ", ".join(names[number] for number in found) or ", ".join(names) or "none is known"
        why = "several are called so" if found else "it was not recorded"
        raise ValueError(f"no task of the kind {asked}: {why}: {which}")
    return found[0]


def _of_kind(scenario: Scenario, name: str, factor: float, does: frozenset[Do]) -> Scenario:
    number, kinds = kind_number(scenario.names, name), scenario.kinds
    program = reshaped(
        scenario.program,
        lambda task, steps: scaled(steps, factor, does) if kinds[task] == number else steps,
    )
    return replace(scenario, program=program)


def _with_rules(scenario: Scenario, **rules: object) -> Scenario:
    return replace(
        scenario,
        teams=tuple(
            replace(team, rules=_replaced_rules(team.rules, rules)) for team in scenario.teams
        ),
    )


def _replaced_rules(rules: Rules, changes: dict[str, object]) -> Rules:
    return replace(rules, **changes)  # type: ignore[arg-type]


def _with_overheads(scenario: Scenario, **overheads: object) -> Scenario:
    return replace(
        scenario,
        teams=tuple(
            replace(team, overheads=_replaced_overheads(team.overheads, overheads))
            for team in scenario.teams
        ),
    )


def _replaced_overheads(overheads: Overheads, changes: dict[str, object]) -> Overheads:
    return replace(overheads, **changes)  # type: ignore[arg-type]
