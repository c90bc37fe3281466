"""Limits that a capture is held to, and whether it keeps them. Data only."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from .vocabulary import Category


class Measure(StrEnum):
    """What a limit may be on, besides the shares of the categories of worker time."""

    WAIT_MEDIAN = "wait_median"
    WAIT_P95 = "wait_p95"
    DURATION_MEDIAN = "duration_median"
    DURATION_P95 = "duration_p95"
    LOST_ROWS = "lost_rows"
    FAILURES = "failures"


TIMES = (
    Measure.WAIT_MEDIAN,
    Measure.WAIT_P95,
    Measure.DURATION_MEDIAN,
    Measure.DURATION_P95,
)
"""Limits in seconds: the wait in the queue, and the run of a task from its start to its end."""
LIMIT_NAMES = (*Category, *Measure)
"""Every name that a limit may have, in the order in which they are listed."""


LARGEST_GAIN = "largest gain"
"""The limit on the gains of findings, which must be below it."""


class LimitUnit(StrEnum):
    """What the values of a limit are in; a share is from 0 to 1."""

    SHARE = "share"
    SECONDS = "seconds"
    COUNT = "count"
    CODES = "codes"


@dataclass(frozen=True, slots=True)
class Limit:
    """At most so much of something. name: of `LIMIT_NAMES`."""

    name: Category | Measure
    most: float
    unit: LimitUnit


@dataclass(frozen=True, slots=True)
class Limits:
    """Everything that a capture is checked for.

    forbidden: codes of findings that no pool may have. gain_below: every simulated gain of a
    finding must be below this share; None for no such limit. pool: only pools of this name, "" for
    all.
    """

    limits: tuple[Limit, ...] = ()
    forbidden: tuple[str, ...] = ()
    gain_below: float | None = None
    pool: str = ""

    @property
    def needs_causes(self) -> bool:
        """Whether changes must be simulated to judge them."""
        return bool(self.forbidden) or self.gain_below is not None

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing to check."""
        return not (self.limits or self.needs_causes)


@dataclass(frozen=True, slots=True)
class LimitReading:
    """One limit and what was found, of one pool.

    what: the limit in words. pool: its name, "" where no pool could be judged. found, most: in
    `unit`; found is None where nothing is known, and then the limit is broken: `why` says the
    reason. culprit: the finding that broke it, "" for other limits.
    """

    what: str
    pool: str
    unit: LimitUnit
    most: float
    found: float | None
    holds: bool
    why: str = ""
    culprit: str = ""
