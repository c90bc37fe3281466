"""The workers of one team while a run is simulated."""

from __future__ import annotations

from random import Random
from typing import TYPE_CHECKING

from .queues import Deques, OneQueue
from .rules import Taking

if TYPE_CHECKING:
    from .rules import Team


class Crew:
    """The workers of a team during a run: where their tasks are queued, and who is parked.

    parked: in the order in which they parked. gates: (count, ns, task) of tasks that come after so
    many ends, the next one last. ended: how many tasks from outside have. fed_ns: until when the
    submitter is busy with tasks on their way to the workers.
    """

    __slots__ = ("ended", "fed_ns", "first", "gates", "overheads", "parked", "queues", "rules")

    def __init__(self, team: Team, first: int, seed: int) -> None:
        self.rules, self.overheads, self.first = team.rules, team.overheads, first
        self.queues: OneQueue | Deques = (
            Deques(team.rules, team.workers, Random(seed))  # noqa: S311 - no secret
            if team.rules.taking is Taking.DEQUES
            else OneQueue(team.rules)
        )
        self.parked = dict.fromkeys(range(first, first + team.workers))
        self.gates: list[tuple[int, int, int]] = []
        self.ended = 0
        self.fed_ns = 0.0
