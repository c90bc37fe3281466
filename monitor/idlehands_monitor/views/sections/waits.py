"""What blocked time waited for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..foreign_text import bounded
from ..formatting import number_of, seconds, share
from .facts import Column, Part, Section, Sentence, Table

if TYPE_CHECKING:
    from ...model.external import ExternalTime
    from ...model.reading import PoolReading

SORT_LETTERS = 30
LEAST_BLOCKED = 200
"""Blocked time of less than one part in so many of the worker time is not divided further."""


def recorded_waits(pool: PoolReading) -> Section | None:
    """Return the parts of blocked time with their 95 % intervals; None where there is too little
    of it."""
    blocked = pool.blocked
    if blocked is None or pool.time.blocked * LEAST_BLOCKED < pool.time.total:
        return None
    exact = (("joins", blocked.join_s), ("declared waits", blocked.declared_s))
    rows = [(name, seconds(value), "exact") for name, value in exact if value > 0]
    rows += [
        (
            bounded(wait.sort, SORT_LETTERS),
            seconds(wait.seconds),
            f"{seconds(wait.low_s)} to {seconds(wait.high_s)}",
        )
        for wait in blocked.waits
    ]
    parts: list[Part] = []
    if blocked.unsplit_s > 0:
        rows.append(("cause not known", seconds(blocked.unsplit_s), "–"))
        if blocked.one_core:
            parts.append(Sentence("together the workers used about one core"))
    lead = f"from {number_of(blocked.samples, 'sample')}" if blocked.waits else ""
    columns = (Column("cause"), Column("time", to_right=True), Column("95 % interval"))
    table = Table(columns, tuple(rows))
    return Section("What blocked time waited for", lead, (table, *parts))


def external_waits(time: ExternalTime) -> Section | None:
    """Return the shares of off-core time by what it waited for; None where that is not known."""
    if not time.waits:
        return None
    rows = tuple((bounded(wait.sort, SORT_LETTERS), share(wait.share)) for wait in time.waits)
    return Section(
        f"What {off_core_name(time)} time waited for",
        f"in shares of the worker time, from {number_of(time.wait_samples, 'sample')}",
        (Table((Column("cause"), Column("share", to_right=True)), rows),),
    )


def off_core_name(time: ExternalTime) -> str:
    """Return what the time is called that `waits` divides."""
    return "blocked" if time.blocked is not None else "off-core"


def waits_phrase(time: ExternalTime) -> str:
    """Return the same shares as one line, empty where that is not known."""
    return ", ".join(
        f"{bounded(wait.sort, SORT_LETTERS)} {share(wait.share)}"
        for wait in time.waits
        if wait.share >= 0.005
    )
