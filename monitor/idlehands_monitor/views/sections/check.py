"""Limits and what was found, the broken ones first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ...model.limits import LARGEST_GAIN, LimitUnit
from ...model.whatif import Unit
from ..foreign_text import bounded
from ..formatting import number_of
from ..quantities import quantity
from .facts import Column, Section, Sentence, Table, Tone

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ...model.limits import LimitReading

LONGEST_SENTENCE = 2000
HOLDS, BROKEN = "holds", "BROKEN"


def check(target: str, found: Sequence[LimitReading]) -> tuple[Section, ...]:
    """Return one section: how many limits are broken, and a row for each."""
    ordered = sorted(found, key=lambda one: one.holds)
    broken = [one for one in ordered if not one.holds]
    lead = f"{number_of(len(broken), 'limit')} broken" if broken else "every limit holds"
    columns = (
        Column(""),
        Column("limit"),
        Column("allowed", to_right=True),
        Column("found", to_right=True),
        Column("pool"),
    )
    rows = tuple(
        (
            HOLDS if one.holds else BROKEN,
            one.what,
            limit_text(one),
            found_text(one),
            bounded(one.pool),
        )
        for one in ordered
    )
    why = tuple(Sentence(text, Tone.NOTE) for text in dict.fromkeys(map(reason, broken)) if text)
    return (Section(bounded(target), lead, (Table(columns, rows), *why), level=1),)


def reason(one: LimitReading) -> str:
    """Return what a table of numbers leaves out: the finding, or why nothing is known."""
    if one.culprit:
        return bounded(one.culprit, LONGEST_SENTENCE)
    return f"{one.what} is not known: {one.why}" if one.why else ""


def limit_text(one: LimitReading) -> str:
    """Write what is allowed: at most 5 %, below 10 %, none."""
    if one.unit is LimitUnit.CODES:
        return "none"
    return f"{'below' if one.what == LARGEST_GAIN else 'at most'} {_value(one.most, one.unit)}"


def found_text(one: LimitReading) -> str:
    """Write what was found, a dash where nothing is known."""
    if one.found is None:
        return "–"
    if one.unit is LimitUnit.CODES:
        return "none" if one.holds else "found"
    return _value(one.found, one.unit)


def _value(value: float, unit: LimitUnit) -> str:
    if unit is LimitUnit.SECONDS:
        return quantity(value, Unit.SECONDS)  # three digits: beside the limit they must differ
    if unit is LimitUnit.SHARE:
        return f"{100 * value:.3g} %"
    return f"{value:,.0f}"


def title(one: LimitReading) -> str:
    """Return a limit in words: starved: at most 5 %."""
    return f"{one.what}: {limit_text(one)}"


def sentence(one: LimitReading) -> str:
    """Return a broken limit in one line: starved is 12 %, at most 5 % is allowed (pool kiln)."""
    where = f" (pool {bounded(one.pool)})" if one.pool else ""
    if one.found is None:
        return f"{reason(one)}{where}"
    if one.unit is LimitUnit.CODES:
        return f"a finding that is not allowed{where}: {reason(one)}"
    told = f"{one.what} is {found_text(one)}, {limit_text(one)} is allowed{where}"
    return f"{told}: {reason(one)}" if reason(one) else told
