"""The findings of a pool, costliest first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..foreign_text import bounded
from .facts import Section, Sentence, Tone

if TYPE_CHECKING:
    from ...model.findings import Finding
    from ...model.reading import PoolReading

LONGEST_SENTENCE = 2000


def findings(pool: PoolReading) -> Section:
    """Return each finding with its evidence, what to try, and what that would save."""
    parts = tuple(sentence for finding in pool.findings for sentence in _finding(finding))
    return Section("Findings", "costliest first" if parts else "none", parts)


def _finding(finding: Finding) -> list[Sentence]:
    sentences = [Sentence(_bounded(f"{finding.code}: {finding.sentence}"), Tone.STRONG)]
    if finding.evidence:
        sentences.append(Sentence(_bounded(f"Evidence: {finding.evidence}"), Tone.DETAIL))
    gain = ""
    if finding.gain_s is not None:
        gain = f" (saves about {finding.gain_s:.2g} worker-seconds)"
    return [*sentences, Sentence(_bounded(f"Try: {finding.advice}{gain}"), Tone.DETAIL)]


def _bounded(text: str) -> str:
    return bounded(text, LONGEST_SENTENCE)
