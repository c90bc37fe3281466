"""A finding: what is wrong, what it costs in worker time, and what to change."""

from __future__ import annotations

from dataclasses import dataclass

from .vocabulary import FindingCode


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding: its code, its sentence, the worker-seconds it accounts for, what to try.

    worker_seconds: the cost; share: of the pool's worker time, 0 to 1. sentence: what is wrong.
    advice: what to try. evidence: figures behind it, may be empty. gain_s: worker-seconds that the
    advice would save, None where that is not known.
    """

    code: FindingCode
    worker_seconds: float
    share: float
    sentence: str
    advice: str
    evidence: str = ""
    gain_s: float | None = None
