"""The settings that a scenario gets, and the outcome that it returns."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Protocol

from .faults import NO_FAULT, Fault, PoolChoice


class ReportedPool(Protocol):
    """The counts of a pool that an outcome reports."""

    @property
    def tasks_finished(self) -> int:
        """Tasks run to their end, including those that raised."""

    @property
    def steals(self) -> list[list[int]]:
        """Hits: a row per thief, a column per victim; empty for a pool without deques."""

    def report(self) -> dict[str, Any]:
        """Return the pool's own counts, ready for JSON."""


@dataclass(frozen=True)
class Settings:
    """How to run a scenario: `seconds` is its duration, None until it is stopped."""

    workers: int = 8
    seconds: float | None = None
    seed: int = 1
    fault: Fault = NO_FAULT
    pool: PoolChoice = PoolChoice.STEALING


@dataclass
class Outcome:
    """What a scenario did: complete `passes`, all `station_days`, and its pools, shut down."""

    passes: int = 0
    station_days: int = 0
    totals_ok: bool = True
    pools: list[ReportedPool] = field(default_factory=list)

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
        return {
            "passes": self.passes,
            "station_days": self.station_days,
            "totals_ok": self.totals_ok,
            **self.pools[0].report(),
        }
