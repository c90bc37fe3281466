"""A run that can be simulated and changed: its program, its workers, and how work comes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from ...model.whatif import Arrivals
from .rules import Machine, Taking, Team
from .simulator import simulate

if TYPE_CHECKING:
    from ...model.arrays import Float, Int64
    from .outcome import Outcome
    from .program import Program

SETTLED = (0.1, 0.9)
"""Tasks a second are counted between these parts of the ends: at first the pool fills, and at the
end it runs empty."""


@dataclass(frozen=True, slots=True)
class Scenario:
    """A program on a machine. kinds: the kind of each task, as an index of `names`, −1 unknown.

    turns: so many times as long do tasks' own waits take because a thread comes back from each of
    them only when it gets the interpreter lock; 1 where it gets it at once. piped: whether tasks
    come as fast as they are brought to the workers, so that hand-ins are part of the hand-overs.
    """

    program: Program
    machine: Machine
    teams: tuple[Team, ...]
    arrivals: Arrivals
    kinds: tuple[int, ...]
    names: tuple[str, ...] = ()
    turns: float = 1.0
    piped: bool = False

    @property
    def workers(self) -> int:
        """The workers of all teams."""
        return sum(team.workers for team in self.teams)

    def run(self, seed: int = 0) -> Outcome:
        """Simulate it once."""
        return simulate(self.program, self.machine, self.teams, seed)

    def with_workers(self, number: int) -> Scenario:
        """Return it with so many workers; of several teams, each has its share, at least one."""
        if len(self.teams) == 1:
            return replace(self, teams=(replace(self.teams[0], workers=number),))
        all_of_them = self.workers
        return replace(
            self,
            teams=tuple(
                replace(team, workers=max(1, round(number * team.workers / all_of_them)))
                for team in self.teams
            ),
        )


def value_of(scenario: Scenario, outcome: Outcome) -> float:
    """Return what a run comes to, in the unit of its arrivals."""
    outside = scenario.program.from_outside()
    came = np.array(outcome.came_ns)[outside]
    ended = np.array(outcome.ended_ns)[outside]
    return measure(scenario.arrivals, came, ended)


def measure(arrivals: Arrivals, came_ns: Float | Int64, ended_ns: Float | Int64) -> float:
    """Return what a run comes to, from when its tasks from outside came and ended.

    Seconds for a batch, tasks a second for a closed stream, the 95th percentile in seconds for an
    open one: see `model.whatif.Unit`.
    """
    came, ended = np.asarray(came_ns, dtype=np.float64), np.asarray(ended_ns, dtype=np.float64)
    if arrivals is Arrivals.BATCH:
        return float(ended.max() - came.min()) / 1e9
    if arrivals is Arrivals.OPEN:
        return float(np.quantile(ended - came, 0.95, method="median_unbiased")) / 1e9
    ends = np.sort(ended)
    low, high = (int(part * (len(ends) - 1)) for part in SETTLED)
    if ends[high] <= ends[low]:
        return len(ends) / max(1e-9, float(ended.max() - came.min()) / 1e9)
    return float((high - low) / ((ends[high] - ends[low]) / 1e9))


def unbounded(scenario: Scenario) -> Outcome:
    """Simulate it with a worker and a core for each task, and without overheads."""
    many = len(scenario.kinds)
    rules = replace(scenario.teams[0].rules, taking=Taking.ARRIVAL)
    teams = tuple(Team(many, rules) for _ in scenario.teams)
    return simulate(scenario.program, Machine(many), teams)
