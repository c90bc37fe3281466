"""A finding: what is wrong, what it costs in worker time, and what to change."""

from __future__ import annotations

from dataclasses import dataclass

from .vocabulary import FindingCode


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding: a code, a sentence, the worker-seconds it accounts for, what to try.

    evidence: what it goes by beyond the sentence. gain_s: worker-seconds that what to try would
    save, None where that cannot be said.
    """

    code: FindingCode
    worker_seconds: float
    share: float
    sentence: str
    advice: str
    evidence: str = ""
    gain_s: float | None = None
