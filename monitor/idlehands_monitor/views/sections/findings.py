"""The findings of a pool, what gains most first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ...model.reading import PoolReading
from ...model.whatif import Unit
from ..foreign_text import bounded
from ..quantities import quantity
from .facts import Section, Sentence, Tone
from .places import places_lines

if TYPE_CHECKING:
    from ...model.external import ExternalPoolReading
    from ...model.findings import Finding

LONGEST_SENTENCE = 2000


def findings(pool: PoolReading | ExternalPoolReading) -> Section:
    """Return each finding with where it is, what to try, what that would gain, its evidence."""
    parts = tuple(sentence for finding in pool.findings for sentence in _finding(finding))
    if parts:
        is_recorded = isinstance(pool, PoolReading)
        return Section("Findings", f"what {'gains' if is_recorded else 'costs'} most first", parts)
    said = pool.health if isinstance(pool, PoolReading) else ""
    health = (Sentence(_bounded(said), Tone.STRONG),) if said else ()
    return Section("Findings", "none", health)


def finding_text(finding: Finding) -> str:
    """Return a finding's code, its sentence and where it is."""
    place = f" ({finding.where})" if finding.where else ""
    return _bounded(f"{finding.code}: {finding.sentence}{place}")


def _finding(finding: Finding) -> list[Sentence]:
    texts = (
        *places_lines(finding),
        f"Try: {finding.advice}",
        gain_text(finding),
        f"Evidence: {finding.evidence}" if finding.evidence else "",
    )
    return [
        Sentence(finding_text(finding), Tone.STRONG),
        *(Sentence(_bounded(text), Tone.DETAIL) for text in texts if text),
    ]


WORDS = {
    Unit.SECONDS: ("the recorded work is done", "sooner", "later"),
    Unit.TASKS_PER_S: ("", "more", "less"),
    Unit.P95_S: ("95 % of the tasks end", "sooner", "later"),
}
"""What stands before and behind an amount that is gained, or lost."""


def gain_text(finding: Finding) -> str:
    """Return what the advice would gain, or why that is not known; "" where nothing is."""
    gain = finding.gain
    if gain is None:
        if finding.gain_s is not None:
            return f"Gain: about {finding.gain_s:.2g} worker-seconds"
        return f"Gain: not known, {finding.no_gain}" if finding.no_gain else ""
    before, better, worse = WORDS[gain.unit]
    amount = quantity(abs(gain.median), gain.unit)
    # The header counts all tasks, a gain those that whoever uses the pool waits for.
    counted = " from outside" if gain.unit is Unit.TASKS_PER_S else ""
    low, high = round(100 * gain.share_low), round(100 * gain.share_high)
    given = f"if {gain.given}, " if gain.given else ""
    return (
        f"Gain: {given}{before} {amount} {better if gain.median >= 0 else worse} than now "
        f"({quantity(gain.before, gain.unit)}{counted}), {100 * gain.share:.0f} % ({low} to {high})"
    ).replace("  ", " ")


def _bounded(text: str) -> str:
    return bounded(text, LONGEST_SENTENCE)
