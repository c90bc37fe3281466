"""The same run as it might have been: tasks drawn again from those recorded nearby. Pure.

A bootstrap over tasks (B. Efron 1979, "Bootstrap methods: another look at the jackknife", Ann.
Statist. 7(1):1–26). A leaf takes the steps of another leaf of its kind and team that stood at most
a twentieth of them away, so that what changes over a run stays where it was. In an open stream the
times between hand-ins are drawn again in the same way.
"""

from __future__ import annotations

from dataclasses import replace
from random import Random
from typing import TYPE_CHECKING

from ...model.whatif import Arrivals
from .program import Do

if TYPE_CHECKING:
    from .program import Program, Step
    from .scenario import Scenario

NEARBY = 0.05
LEAST_NEARBY = 3


def varied(scenario: Scenario, seed: int) -> Scenario:
    """Return a scenario with its tasks drawn again; seed 0 is the recorded run itself."""
    if not seed:
        return scenario
    random = Random(seed)  # noqa: S311 - no secret
    program = _drawn(scenario, random)
    if scenario.arrivals is Arrivals.OPEN:
        program = replace(program, comes_ns=_arrivals(program, random))
    return replace(scenario, program=program)


def _drawn(scenario: Scenario, random: Random) -> Program:
    program = scenario.program
    groups: dict[tuple[int, int], list[int]] = {}
    for task, steps in enumerate(program.steps):
        if not any(do in (Do.SPAWN, Do.JOIN) for do, _ in steps):
            team = program.teams[task] if program.teams else 0
            groups.setdefault((scenario.kinds[task], team), []).append(task)
    new: list[tuple[Step, ...]] = list(program.steps)
    for leaves in groups.values():
        for place, other in zip(leaves, _nearby(len(leaves), random), strict=True):
            new[place] = program.steps[leaves[other]]
    return replace(program, steps=tuple(new))


def _nearby(count: int, random: Random) -> list[int]:
    """Return for each of so many places another one nearby."""
    reach = max(LEAST_NEARBY, int(count * NEARBY))
    return [min(count - 1, max(0, place + random.randint(-reach, reach))) for place in range(count)]


def _arrivals(program: Program, random: Random) -> dict[int, int]:
    order = sorted(program.comes_ns, key=lambda task: (program.comes_ns[task], task))
    times = [program.comes_ns[task] for task in order]
    gaps = [later - earlier for earlier, later in zip(times, times[1:], strict=False)]
    comes, now = {order[0]: times[0]} if order else {}, times[0] if times else 0
    for task, other in zip(order[1:], _nearby(len(gaps), random), strict=True):
        now += gaps[other]
        comes[task] = now
    return comes
