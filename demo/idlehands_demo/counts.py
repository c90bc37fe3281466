"""What one worker counts about itself, independent of the probe.

Each count is written by its own worker only, so plain integers suffice. Integration
tests compare these counts with what the probe recorded.
"""

from __future__ import annotations


class WorkerCounts:
    """Counts of one worker of a pool of `workers`.

    `spawned`, `finished` (of which `failed`) and `cancelled` count tasks, `adopted` those
    taken out of the pool's twin. `attempts`,
    `steals`, `empties` and `lost_races` hold one count per victim; each attempt ends as
    exactly one of the other three. `parks` counts sleeps.
    """

    __slots__ = (
        "adopted",
        "attempts",
        "cancelled",
        "empties",
        "failed",
        "finished",
        "lost_races",
        "parks",
        "spawned",
        "steals",
    )

    def __init__(self, workers: int) -> None:
        self.spawned = 0
        self.adopted = 0
        self.finished = 0
        self.failed = 0
        self.cancelled = 0
        self.parks = 0
        self.attempts = [0] * workers
        self.steals = [0] * workers
        self.empties = [0] * workers
        self.lost_races = [0] * workers
