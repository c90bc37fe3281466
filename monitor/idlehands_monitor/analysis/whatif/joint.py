"""Several pools of a job as one scenario: each its team, on the cores of all. Pure."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from .arrivals import coming
from .program import Do, Program
from .recording import Recording
from .scenario import measure

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ...model.whatif import Arrivals
    from .program import Step
    from .rules import Machine


def joint(made: Sequence[Recording], arrivals: Arrivals | None) -> Recording:
    """Return the recorded runs of several pools as one; the first pool's teams come first."""
    first_ns = min(int(one.held.came_ns.min()) for one in made)
    came = np.concatenate([one.held.came_ns[one.held.outside] for one in made])
    ended = np.concatenate([one.held.ended_ns[one.held.outside] for one in made])
    order = np.argsort(came, kind="stable")
    comes = coming(came[order], ended[order], arrivals)
    scenario = replace(
        made[0].scenario,
        program=_program(made, first_ns),
        teams=tuple(team for one in made for team in one.scenario.teams),
        arrivals=comes.arrivals,
        kinds=tuple(kind for one in _kinds(made) for kind in one),
        names=tuple(name for one in made for name in one.scenario.names),
        machine=machine_of_all([one.scenario.machine for one in made]),
    )
    value = measure(comes.arrivals, came, ended)
    return replace(
        made[0],
        scenario=scenario,
        comes=comes,
        value=value,
        sampled=all(one.sampled for one in made),
    )


def machine_of_all(machines: Sequence[Machine]) -> Machine:
    """Return the machine of all. To each pool the workers of the rest were others, so only what
    all of them saw is beside all of them."""
    quietest = min(machines, key=lambda machine: machine.others)
    return replace(quietest, cores=max(machine.cores for machine in machines))


def _kinds(made: Sequence[Recording]) -> list[list[int]]:
    kinds, names = [], 0
    for one in made:
        kinds.append([kind + names if kind >= 0 else -1 for kind in one.scenario.kinds])
        names += len(one.scenario.names)
    return kinds


def _program(made: Sequence[Recording], first_ns: int) -> Program:
    steps: list[tuple[Step, ...]] = []
    comes: dict[int, int] = {}
    gates: dict[int, tuple[int, int]] = {}
    teams: list[int] = []
    for number, one in enumerate(made):
        base, program = len(steps), one.scenario.program
        later = int(one.held.came_ns.min()) - first_ns
        steps += [tuple(_moved(task, base, number)) for task in program.steps]
        comes |= {task + base: at + later for task, at in program.comes_ns.items()}
        gates |= {task + base: gate for task, gate in program.gates.items()}
        teams += [number] * len(program.steps)
    return Program(tuple(steps), comes, gates=gates, teams=tuple(teams))


def _moved(steps: tuple[Step, ...], base: int, locks: int) -> list[Step]:
    """Return steps about tasks and locks that have other numbers now; each pool has its lock."""
    moved = []
    for do, number in steps:
        if do in (Do.SPAWN, Do.JOIN):
            moved.append((do, number + base))
        elif do in (Do.ACQUIRE, Do.RELEASE):
            moved.append((do, number + locks))
        else:
            moved.append((do, number))
    return moved
