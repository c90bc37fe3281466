"""Shares of worker time: the one shape in which recorded and external pools say their time split.

Views draw and write any `SharesOfTime` by the same code, whatever it was measured with.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple, Protocol

from .vocabulary import Category, ExternalCategory

AnyCategory = Category | ExternalCategory


@dataclass(frozen=True, slots=True)
class Estimate:
    """A share of the time, 0 to 1, estimated from a sample, and its 95 % interval."""

    value: float
    low: float
    high: float


class Share(NamedTuple):
    """The part of the worker time in one category, 0 to 1; its interval where it is estimated."""

    category: AnyCategory
    value: float
    estimate: Estimate | None = None


class SharesOfTime(Protocol):
    """A time split: how many worker-seconds there are, and the share of each category."""

    @property
    def worker_seconds(self) -> float:
        """All worker time of the window, in seconds."""
        ...

    @property
    def shares(self) -> tuple[Share, ...]:
        """The shares in the order in which every view has them; empty where no time is known."""
        ...
