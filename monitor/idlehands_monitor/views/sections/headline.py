"""The headline: the finding that gains most, or that nothing is to be gained."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..foreign_text import bounded
from .facts import Sentence, Tone
from .findings import LONGEST_SENTENCE, finding_text, gain_text
from .places import place_phrase

if TYPE_CHECKING:
    from ...model.reading import Reading

NO_FINDING = "Headline: no finding"


def headline(reading: Reading) -> tuple[Sentence, ...]:
    """Return the headline of a job, with what to try and what that would gain.

    Nothing where there is neither a finding nor a recorded pool.
    """
    if reading.headline is None:
        return (Sentence(_healthy(reading), Tone.STRONG),) if reading.pools else ()
    pool, finding = reading.headline
    is_one_of_several = len(reading.pools) + len(reading.external) > 1
    where = f"pool {bounded(pool.name)}, " if is_one_of_several else ""
    details = (place_phrase(finding), f"Try: {finding.advice}", gain_text(finding))
    return (
        Sentence(
            bounded(f"Headline: {where}{finding_text(finding)}", LONGEST_SENTENCE), Tone.STRONG
        ),
        *(Sentence(bounded(text, LONGEST_SENTENCE), Tone.DETAIL) for text in details if text),
    )


def _healthy(reading: Reading) -> str:
    if reading.busiest is None or not reading.busiest.health:
        return NO_FINDING
    return bounded(f"Headline: {reading.busiest.health}", LONGEST_SENTENCE)
