"""Larger and smaller pieces of work: tasks put together, and tasks divided. Pure.

Tasks from outside are put together in the order in which they come, tasks that one task spawns in
the order of their spawns. Only leaves (tasks that spawn and join nothing) are put together or
divided. Where all that a task spawns would become one piece, the task does it itself: a recursion
then ends one level earlier. Overheads follow, because there are fewer or more tasks.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from .program import Do, Program
from .rules import Taking

if TYPE_CHECKING:
    from .program import Step
    from .scenario import Scenario


FIXED_NS = 1_000_000
"""Of what a pool of processes needs around a task, more than this is taken to be for its data, and
stays however many tasks become one: chosen, some times what it takes for empty tasks."""


def regrained(scenario: Scenario, factor: float) -> Scenario:
    """Return a scenario whose pieces are `factor` times as large, 1/`factor` a whole number or
    `factor` one. Raises ValueError for another factor."""
    scenario = _with_data_in_tasks(_with_data_fed(_handed_over(scenario, factor), factor))
    if factor >= 1 and factor == round(factor):
        largest = round(factor)
        while largest > 1 and largest % 2 == 0:  # two by two, so that recursions end level by level
            scenario = _Joined(scenario, 2).scenario()
            largest //= 2
        return _Joined(scenario, largest).scenario() if largest > 1 else scenario
    if 0 < factor < 1 and abs(1 / factor - round(1 / factor)) < 1e-9:
        return _divided(scenario, round(1 / factor))
    raise ValueError(f"pieces cannot be made {factor:g} times as large: use ×2, ×3, ÷2 and so on")


def _handed_over(scenario: Scenario, factor: float) -> Scenario:
    """Return a scenario in which threads of the job that hand over tasks to processes have fewer of
    them to hand over, or more."""
    machine = scenario.machine
    if machine.one_lock or not machine.of_the_job:
        return scenario
    busy = min(machine.of_the_job / factor, max(1.0, machine.of_the_job))
    others = machine.foreign + busy
    return replace(scenario, machine=replace(machine, others=others, of_the_job=busy))


def _with_data_fed(scenario: Scenario, factor: float) -> Scenario:
    """Return a scenario in which a piece takes longer on its way by the data that it has more."""
    teams = []
    for team in scenario.teams:
        fixed = min(team.overheads.feed_ns, FIXED_NS)
        fed = fixed + (team.overheads.feed_ns - fixed) * factor
        teams.append(replace(team, overheads=replace(team.overheads, feed_ns=fed)))
    return replace(scenario, teams=tuple(teams))


def _with_data_in_tasks(scenario: Scenario) -> Scenario:
    """Return a scenario in which the tasks, not the overheads, have what their data takes."""
    team, locks = scenario.teams[0], scenario.machine.one_lock
    over = team.overheads
    more = over.dispatch_ns + over.hand_over_ns - FIXED_NS
    if locks or more <= 0 or len(scenario.teams) > 1 or team.rules.taking is Taking.DEQUES:
        return scenario
    part = more / (over.dispatch_ns + over.hand_over_ns)
    core, off = round(over.dispatch_ns * part), round(over.hand_over_ns * part)
    steps = tuple(
        ((int(Do.CORE), core), (int(Do.OFF), off), *steps) for steps in scenario.program.steps
    )
    left = replace(
        over,
        dispatch_ns=over.dispatch_ns * (1 - part),
        hand_over_ns=over.hand_over_ns * (1 - part),
    )
    return replace(
        scenario,
        program=replace(scenario.program, steps=steps),
        teams=(replace(team, overheads=left),),
    )


def _is_leaf(steps: tuple[Step, ...]) -> bool:
    return not any(do in (Do.SPAWN, Do.JOIN) for do, _ in steps)


class _Joined:
    """A scenario in which up to `most` leaves of one kind become one task."""

    def __init__(self, scenario: Scenario, most: int) -> None:
        self._scenario, self._most = scenario, most
        program = scenario.program
        self._leaf = [_is_leaf(steps) for steps in program.steps]
        self._into: dict[int, int] = {}  # the first leaf of its group, by each other leaf
        self._parts: dict[int, list[int]] = {}  # of each first leaf
        self._inside: set[int] = set()  # first leaves that their parent does itself
        self._group_outside()
        for task, steps in enumerate(program.steps):
            if not self._leaf[task]:
                self._group_spawned([number for do, number in steps if do == Do.SPAWN])

    def _group(self, tasks: list[int]) -> list[list[int]]:
        """Put runs of leaves of one kind and team together; return all groups."""
        kinds, teams = self._scenario.kinds, self._scenario.program.teams
        groups: list[list[int]] = []
        last = None
        for task in tasks:
            same = (kinds[task], teams[task] if teams else 0) if self._leaf[task] else None
            if same is not None and same == last and len(groups[-1]) < self._most:
                groups[-1].append(task)
            else:
                groups.append([task])
            last = same
        for first, *others in groups:
            self._parts[first] = [first, *others]
            self._into.update(dict.fromkeys(others, first))
        return groups

    def _group_outside(self) -> None:
        """Put tasks from outside together that come one after the other."""
        program = self._scenario.program
        single = [task for task in program.from_outside() if task not in program.after]
        comes, gates = program.comes_ns, program.gates
        order = {task: gates.get(task, (0, comes.get(task, 0))) for task in single}
        self._group(sorted(single, key=lambda task: (order[task], task)))

    def _group_spawned(self, spawned: list[int]) -> None:
        groups = self._group(spawned)
        if len(groups) == 1 and self._leaf[groups[0][0]]:
            self._inside.add(groups[0][0])

    def scenario(self) -> Scenario:
        """Return the scenario with the groups as tasks."""
        old = self._scenario.program
        gone = self._inside | set(self._into)
        kept = [task for task in range(len(old.steps)) if task not in gone]
        new = {task: place for place, task in enumerate(kept)}
        for part, first in self._into.items():
            if first in new:
                new[part] = new[first]
        times = self._times(new)
        program = Program(
            tuple(self._steps(task, new) for task in kept),
            times,
            {new[task]: tuple(new[one] for one in first) for task, first in old.after.items()},
            {task: gate for task, gate in self._gates(new).items() if task not in times},
            tuple(old.teams[task] for task in kept) if old.teams else (),
        )
        kinds = tuple(self._scenario.kinds[task] for task in kept)
        return replace(self._scenario, program=program, kinds=kinds)

    def _times(self, new: dict[int, int]) -> dict[int, int]:
        """A group comes when its last part does."""
        times: dict[int, int] = {}
        for task, at in self._scenario.program.comes_ns.items():
            times[new[task]] = max(at, times.get(new[task], 0))
        return times

    def _gates(self, new: dict[int, int]) -> dict[int, tuple[int, int]]:
        """So many fewer ends open a gate as there are fewer tasks; a group comes with its first."""
        outside = self._scenario.program.from_outside()
        fewer = len({new[task] for task in outside}) / max(1, len(outside))
        gates: dict[int, tuple[int, int]] = {}
        for task, (count, later_ns) in sorted(self._scenario.program.gates.items()):
            gates.setdefault(new[task], (int(count * fewer), later_ns))
        return gates

    def _steps(self, task: int, new: dict[int, int]) -> tuple[Step, ...]:
        steps = self._scenario.program.steps
        if self._leaf[task]:
            return tuple(step for part in self._parts.get(task, [task]) for step in steps[part])
        result: list[Step] = []
        seen: set[tuple[int, int]] = set()
        for do, number in steps[task]:
            if do not in (Do.SPAWN, Do.JOIN):
                result.append((do, number))
                continue
            first = self._into.get(number, number)
            if first in self._inside:
                if do == Do.SPAWN and first == number:
                    result += [step for part in self._parts[first] for step in steps[part]]
            elif (do, new[first]) not in seen and (do == Do.JOIN or first == number):
                seen.add((do, new[first]))
                result.append((do, new[first]))
        return tuple(result)


def _divided(scenario: Scenario, parts: int) -> Scenario:
    """Divide each leaf into `parts` of equal length; who spawned or joined it does so with each."""
    old = scenario.program
    leaf = [_is_leaf(steps) for steps in old.steps]
    first: list[int] = []
    count = 0
    for is_leaf in leaf:
        first.append(count)
        count += parts if is_leaf else 1

    def new(task: int) -> range:
        return range(first[task], first[task] + (parts if leaf[task] else 1))

    steps: list[tuple[Step, ...]] = []
    for task, mine in enumerate(old.steps):
        if leaf[task]:
            steps += [_part(mine, part, parts) for part in range(parts)]
            continue
        steps.append(
            tuple(
                (do, one)
                for do, number in mine
                for one in (new(number) if do in (Do.SPAWN, Do.JOIN) else (number,))
            )
        )
    ends = count and sum(len(new(task)) for task in old.from_outside())
    more = ends / max(1, len(old.from_outside()))
    every = range(len(old.steps))
    program = Program(
        tuple(steps),
        {one: at for task, at in old.comes_ns.items() for one in new(task)},
        {
            one: tuple(p for f in before for p in new(f))
            for task, before in old.after.items()
            for one in new(task)
        },
        {one: (round(n * more), ns) for task, (n, ns) in old.gates.items() for one in new(task)},
        tuple(old.teams[task] for task in every for _ in new(task)) if old.teams else (),
    )
    kinds = tuple(scenario.kinds[task] for task in every for _ in new(task))
    return replace(scenario, program=program, kinds=kinds)


def _part(steps: tuple[Step, ...], part: int, parts: int) -> tuple[Step, ...]:
    """Return one of several equal parts; what does not divide evenly is in the first ones."""
    return tuple(
        (do, number // parts + (part < number % parts)) if do <= Do.OFF else (do, number)
        for do, number in steps
    )
