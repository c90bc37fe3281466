"""A promise of a work-stealing scheduler, and whether a run keeps it."""

from __future__ import annotations

from dataclasses import dataclass

from .vocabulary import PromiseCode, Verdict


@dataclass(frozen=True, slots=True)
class PromiseReading:
    """One promise of the scheduler and whether this run keeps it.

    cases: how often it
    could have been broken; broken: how often it was; effect: the share or the effect size that
    the verdict goes by. moments_ns: when it was broken, the first few. why: what
    keeps it from being judged. evidence: what the verdict goes by, in a few words.
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
