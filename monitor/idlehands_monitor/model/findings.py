"""A finding: what is wrong, what it costs in worker time, what to change, what that would gain."""

from __future__ import annotations

from dataclasses import dataclass

from .places import PlacesReading
from .vocabulary import FindingCode
from .whatif import Unit

URGENT = frozenset(
    {
        FindingCode.LOST_WORKER,
        FindingCode.NESTED_WAIT,
        FindingCode.STUCK_WORKER,
        FindingCode.FAILING_TASKS,
    }
)
"""Findings that come before every other one: what they say makes the other figures doubtful."""
LEAST_SHARE = 0.05
"""A smaller share of the worker time is no finding, and no stacks are taken for it."""


@dataclass(frozen=True, slots=True)
class GainReading:
    """What the advice of a finding would gain, as simulated, with a 95 % interval.

    low, median, high: how much better, in `unit`: seconds sooner, tasks a second more, seconds off
    the 95th percentile. before: the value of now. share, share_low, share_high: the same as a share
    of `before`. given: what is taken to come of the advice, "" where the advice itself says it.
    """

    unit: Unit
    before: float
    low: float
    median: float
    high: float
    share: float
    share_low: float
    share_high: float
    given: str = ""


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding: its code, its sentence, the worker-seconds it accounts for, what to try.

    worker_seconds: the cost; share: of the pool's worker time, 0 to 1. sentence: what is wrong.
    advice: what to try. evidence: figures behind it, may be empty. gain_s: worker-seconds that the
    advice would save, None where that is not known. gain: what it would gain in the job's own unit,
    None where that was not simulated; no_gain says why. where: kind or worker, may be empty.
    since_ns: since when it holds, -1 for all of the window. source: of the rule. places: where its
    threads wait, by function, file and line, None where no stacks were taken.
    """

    code: FindingCode
    worker_seconds: float
    share: float
    sentence: str
    advice: str
    evidence: str = ""
    gain_s: float | None = None
    gain: GainReading | None = None
    no_gain: str = ""
    where: str = ""
    since_ns: int = -1
    source: str = ""
    places: PlacesReading | None = None

    @property
    def weight(self) -> tuple[bool, float, float]:
        """What findings of several pools are compared by: urgent ones, then gain, then cost."""
        return self.code in URGENT, self.gain.share if self.gain else 0.0, self.worker_seconds
