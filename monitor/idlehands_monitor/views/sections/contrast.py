"""Two sides of captures compared: the answer in one sentence, then everything behind it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ...model.contrast import Presence
from ...model.whatif import Unit
from ..foreign_text import bounded
from ..formatting import category_name, count, number_of, seconds, share
from ..quantities import UNIT_NAMES, gain, quantity
from .contrast_headline import FIGURE_NAMES, figure_text, headline
from .facts import Bar, Column, Part, Section, Sentence, Slice, Table, Tone, plain

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from ...model.contrast import (
        Circumstance,
        ContrastReading,
        EndReading,
        FindingContrast,
        KindContrast,
        PoolContrast,
        StealContrast,
        TimeContrast,
    )
    from ...model.source import SourceReading

NAMED = Column("worth naming")
KIND_CELLS = 40
MOST_KINDS, MOST_CAPTURES = 64, 16
"""So many are written out; the JSON has all."""
NO_END = "no task from outside ended on both sides"
ONE_RUN = "One run each gives no interval for the time to the end: give several captures a side."
WITHIN = (
    "Intervals are of the variation within one run a side, not of that between runs: give several "
    "captures a side."
)
KINDS_NOTE = (
    "change: of the median time of a call, with its 95 % interval; longer: the probability that a "
    "call after takes longer than one before, 50 % where nothing changed; p: adjusted over all "
    "kinds"
)


def contrast(reading: ContrastReading) -> tuple[Section, ...]:
    """Return every section of a comparison, in the order in which each renderer has them."""
    sections: list[Section | None] = [_head(reading), _end_to_end(reading)]
    for pool in reading.pools:
        sections += _pool(pool)
    sections.append(_circumstances(reading))
    return tuple(section for section in sections if section is not None)


def _head(reading: ContrastReading) -> Section:
    sides = ((reading.before, "Before"), (reading.after, "After"))
    files = tuple(Sentence(f"{name}: {_files(side)}") for side, name in sides)
    doubts = tuple(Sentence(f"Caution: {note}", Tone.NOTE) for note in reading.notes)
    return Section(headline(reading), parts=(*files, *doubts), level=1)


def _files(side: Sequence[SourceReading]) -> str:
    names = [bounded(source.target) for source in side[:MOST_CAPTURES]]
    more = len(side) - len(names)
    return ", ".join(names) + (f" and {number_of(more, 'more capture')}" if more > 0 else "")


def _end_to_end(reading: ContrastReading) -> Section:
    if not reading.end_to_end:
        return Section("What the job comes to", NO_END, level=2)
    columns = (
        Column("measured by"),
        *(Column(name, to_right=True) for name in ("before", "after", "better by")),
        NAMED,
    )
    rows = tuple(
        (
            UNIT_NAMES[one.unit],
            quantity(one.before, one.unit),
            quantity(one.after, one.unit),
            better_by(one),
            _yes(one.named),
        )
        for one in reading.end_to_end
    )
    lead = f"work comes as: {reading.arrivals}; the job's own measure is in the first row"
    return Section("What the job comes to", lead, (Table(columns, rows), *_doubt(reading)), level=2)


def better_by(one: EndReading) -> str:
    """Return how much better a value is after, with its interval: +31 % ± 3."""
    if one.low is None or one.high is None:
        return gain(one.gain, one.gain, one.gain)
    return gain(one.low, one.gain, one.high)


def _doubt(reading: ContrastReading) -> tuple[Sentence, ...]:
    """Return what the intervals leave out."""
    found = []
    if any(one.unit is Unit.SECONDS and one.low is None for one in reading.end_to_end):
        found.append(ONE_RUN)
    if any(one.is_within for one in reading.end_to_end):
        found.append(WITHIN)
    return tuple(Sentence(text, Tone.NOTE) for text in found)


def _pool(pool: PoolContrast) -> Iterable[Section | None]:
    renamed = f", after: {bounded(pool.name_after)}" if pool.name_after != pool.name else ""
    lead = (
        f"tasks finished: {count(pool.finished_before)} before, {count(pool.finished_after)} after"
        f"{renamed}"
    )
    yield Section(f"Pool {bounded(pool.name)}", lead, level=2)
    yield _time(pool.time)
    yield _findings(pool.findings)
    yield _kinds(pool)
    yield _promises(pool)
    yield _steals(pool.steals)


def _time(time: Sequence[TimeContrast]) -> Section | None:
    if not time:
        return None
    sides = (("before", [one.before for one in time]), ("after", [one.after for one in time]))
    bars = Table(
        (Column("side"),),
        tuple((name,) for name, _ in sides),
        tuple(_bar(time, shares) for _, shares in sides),
    )
    columns = (
        Column("category"),
        *(Column(name, to_right=True) for name in ("before", "after", "points")),
        NAMED,
    )
    rows = tuple(
        (
            category_name(one.category),
            exact(one.before),
            exact(one.after),
            points(one),
            _yes(one.named),
        )
        for one in time
    )
    return Section("Where the worker time went", parts=(bars, Table(columns, rows)))


def _bar(time: Sequence[TimeContrast], shares: Sequence[float]) -> Bar:
    return Bar(
        tuple(
            Slice(one.category, value, f"{category_name(one.category)} {share(value)}")
            for one, value in zip(time, shares, strict=True)
        )
    )


def exact(value: float) -> str:
    """Write a share to a tenth of a per cent."""
    return f"{100 * value:.1f} %"


def points(one: TimeContrast) -> str:
    """Write the difference of two shares in points, with its interval: +8.1 (6.0 to 10.2)."""
    text = f"{100 * (one.after - one.before):+.1f}".replace("-", "−")
    if one.low is None or one.high is None:
        return text
    ends = " to ".join(f"{100 * end:+.1f}".replace("-", "−") for end in (one.low, one.high))
    return f"{text} ({ends})"


PRESENCES = {Presence.GONE: "gone", Presence.NEW: "new", Presence.STAYS: "stays"}


def _findings(findings: Sequence[FindingContrast]) -> Section:
    if not findings:
        return Section("Findings", "none on either side")
    columns = (
        Column(""),
        Column("finding"),
        Column("where"),
        *(Column(name, to_right=True) for name in ("gain before", "gain after")),
        *(Column(name, to_right=True) for name in ("captures before", "after")),
        NAMED,
    )
    rows = tuple(
        (
            PRESENCES[one.presence],
            str(one.code),
            bounded(one.where),
            "–" if one.gain_before is None else share(one.gain_before),
            "–" if one.gain_after is None else share(one.gain_after),
            str(one.before),
            str(one.after),
            _yes(one.named),
        )
        for one in findings
    )
    return Section("Findings", parts=(Table(columns, rows),))


def _kinds(pool: PoolContrast) -> Section | None:
    parts: list[Part] = []
    if pool.kinds:
        names = ("tasks before", "after", "median before", "after", "change", "longer", "p")
        columns = (
            Column("kind", cells=KIND_CELLS),
            *(Column(name, to_right=True) for name in names),
            NAMED,
        )
        parts.append(Table(columns, tuple(map(_kind, pool.kinds[:MOST_KINDS]))))
        parts.append(Sentence(KINDS_NOTE, Tone.NOTE))
    if len(pool.kinds) > MOST_KINDS:
        parts += plain(f"and {number_of(len(pool.kinds) - MOST_KINDS, 'more kind')}: see --json")
    for names_of, side in ((pool.only_before, "before"), (pool.only_after, "after")):
        if names_of:
            listed = ", ".join(bounded(name) for name in names_of[:MOST_CAPTURES])
            parts += plain(f"Only {side}: {listed}")
    return Section("Kinds of task", parts=tuple(parts)) if parts else None


def _kind(one: KindContrast) -> tuple[str, ...]:
    ends = (one.ratio if end is None else end for end in (one.low, one.high))
    low, high = (end - 1 for end in ends)
    return (
        bounded(one.kind),
        count(one.before.finished),
        count(one.after.finished),
        seconds(one.before.median_s),
        seconds(one.after.median_s),
        gain(low, one.ratio - 1, high),
        share(one.superiority),
        "–" if one.p is None else probability(one.p),
        _yes(one.named),
    )


def probability(value: float) -> str:
    """Write a p: 0.04, or <0.001."""
    return "<0.001" if value < 0.001 else f"{value:.2g}"


def _promises(pool: PoolContrast) -> Section | None:
    if not pool.promises:
        return None
    columns = (Column("promise"), Column("before"), Column("after"), NAMED)
    rows = tuple((one.what, one.before, one.after, _yes(one.named)) for one in pool.promises)
    return Section("What the scheduler promises", parts=(Table(columns, rows),))


def _steals(steals: Sequence[StealContrast]) -> Section | None:
    if not steals:
        return None
    columns = (
        Column("figure"),
        *(Column(name, to_right=True) for name in ("before", "after")),
        NAMED,
    )
    rows = tuple(
        (
            FIGURE_NAMES[one.figure],
            figure_text(one.figure, one.before),
            figure_text(one.figure, one.after),
            _yes(one.named),
        )
        for one in steals
    )
    return Section("Steals", parts=(Table(columns, rows),))


def _circumstances(reading: ContrastReading) -> Section | None:
    parts: list[Part] = []
    if reading.circumstances:
        columns = (Column("what"), Column("before"), Column("after"))
        parts.append(Table(columns, tuple(map(_circumstance, reading.circumstances))))
    for names, side in ((reading.only_before, "before"), (reading.only_after, "after")):
        if names:
            listed = ", ".join(bounded(name) for name in names[:MOST_CAPTURES])
            parts += plain(f"Pools only {side}: {listed}")
    if not parts:
        return Section("Versions, host and pools", "the same on both sides", level=2)
    return Section("Versions, host and pools", "what differs", tuple(parts), level=2)


def _circumstance(one: Circumstance) -> tuple[str, str, str]:
    return bounded(one.what), bounded(one.before), bounded(one.after)


def _yes(named: bool) -> str:
    return "yes" if named else ""
