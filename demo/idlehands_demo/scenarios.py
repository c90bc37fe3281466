"""The settings that a scenario gets, and the outcome that it returns."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from .faults import NO_FAULT, Fault
from .pool import WorkStealingPool


@dataclass(frozen=True)
class Settings:
    """How to run a scenario: `seconds` is its duration, None until it is stopped."""

    workers: int = 8
    seconds: float | None = None
    seed: int = 1
    fault: Fault = NO_FAULT


@dataclass
class Outcome:
    """What a scenario did: complete `passes`, all `station_days`, and its pools, shut down."""

    passes: int = 0
    station_days: int = 0
    totals_ok: bool = True
    pools: list[WorkStealingPool] = field(default_factory=list)

    def merged(self, other: Outcome) -> Outcome:
        """Return what both did together."""
        return Outcome(
            self.passes + other.passes,
            self.station_days + other.station_days,
            self.totals_ok and other.totals_ok,
            self.pools + other.pools,
        )

    def summary(self, name: str) -> str:
        """Return the outcome in one line."""
        finished = sum(pool.tasks_finished for pool in self.pools)
        steals = sum(sum(map(sum, pool.steals)) for pool in self.pools)
        check = "not checked" if not self.passes else "ok" if self.totals_ok else "wrong"
        return (
            f"{name} (invented data): {self.passes} passes, {self.station_days} station-days, "
            f"{finished} tasks finished, {steals} steals, totals {check}"
        )

    def report(self) -> dict[str, Any]:
        """Return the outcome with the counts of the first pool, ready for JSON."""
        pool = self.pools[0]
        return {
            "passes": self.passes,
            "station_days": self.station_days,
            "totals_ok": self.totals_ok,
            "workers": pool.workers,
            "spawned": pool.tasks_spawned,
            "tasks_finished": pool.tasks_finished,
            "tasks_failed": pool.tasks_failed,
            "tasks_cancelled": pool.tasks_cancelled,
            "parks": pool.parks,
            "steals": pool.steals,
            "attempts": pool.attempts,
            "empties": pool.empties,
            "lost_races": pool.lost_races,
            "misuses": pool.probe.misuses,
        }
