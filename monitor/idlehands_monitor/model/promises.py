"""A promise of a work-stealing scheduler, and the verdict on it. Part of a `PoolReading`."""

from __future__ import annotations

from dataclasses import dataclass

from .vocabulary import PromiseCode, Verdict


@dataclass(frozen=True, slots=True)
class PromiseReading:
    """One promise of the scheduler, and whether this run keeps it.

    what: the promise in words; purpose: what it is for; source: where it is published. cases: how
    often it could have been broken; broken: how often it was. effect: the share or effect size that
    the verdict is based on. timestamps_ns: when it was first broken, a few times. why: the reason
    for an unknown verdict. evidence: the figures behind the verdict, in a few words.
    """

    code: PromiseCode
    what: str
    verdict: Verdict
    cases: int
    broken: int
    effect: float
    timestamps_ns: tuple[int, ...]
    purpose: str
    source: str
    why: str = ""
    evidence: str = ""
