"""Which target a report is of, from when to when, its marks, and what its stream lost."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from ..foreign_text import bounded
from ..formatting import seconds
from ..times import local_time, second, window_sentence
from .facts import Column, Part, Section, Sentence, Table, Tone, plain
from .headline import headline

if TYPE_CHECKING:
    from ...model.reading import Reading
    from ...model.source import SourceReading, TotalsReading

LONGEST_WARNING = 2000


def head(reading: Reading) -> Section:
    """Return the target, the process and the state of the stream, then the headline."""
    is_empty = not reading.pools and not reading.external
    said = (nothing(reading),) if is_empty else ()
    section = source_head(reading.source, reading.window_ns, said)
    return replace(section, parts=(*headline(reading), *section.parts))


def source_head(
    source: SourceReading, window_ns: tuple[int, int] | None, sentences: tuple[str, ...] = ()
) -> Section:
    """Return the same of a source, with sentences of what is made of it."""
    window = window_sentence(source.clock, window_ns)
    parts = list[Part](plain(window) if window else ())
    if source.warning:
        parts.append(Sentence(f"Warning: {bounded(source.warning, LONGEST_WARNING)}", Tone.STRONG))
    return Section(bounded(source.target), who(source), (*parts, *plain(*sentences)), level=1)


def who(source: SourceReading) -> str:
    """Return the facts of the process and of the stream, in one line."""
    facts: list[str] = [source.state]
    if source.pid >= 0:
        facts.append(f"process {source.pid}")
    if source.program:
        facts.append(bounded(source.program))
    if source.python:
        facts.append(f"Python {bounded(source.python)}")
    if source.note:
        facts.append(bounded(source.note))
    return ", ".join(facts)


def nothing(reading: Reading) -> str:
    """Return why a reading shows no pool."""
    if reading.source.is_external:
        return "no worker thread was seen, only main threads and the helpers of pools"
    return "no pool with recorded time"


def marks(reading: Reading) -> Section | None:
    """Return the marks inside the window, None without any."""
    clock = reading.source.clock
    if clock is None or not reading.marks:
        return None
    columns = (Column("mark"), Column("of the run", to_right=True), Column("local time"))
    rows = tuple(
        (bounded(mark.note), second(clock, mark.at_ns, 2), local_time(clock, mark.at_ns, 3))
        for mark in reading.marks
    )
    return Section("Marks", parts=(Table(columns, rows),), level=2)


def skipped(reading: Reading) -> Section | None:
    """Return what was left out of the stream, None where nothing was."""
    lines = skipped_lines(reading)
    parts = tuple(Sentence(line, Tone.STRONG) for line in lines)
    return Section("Frames and rows left out", parts=parts, level=2) if parts else None


def skipped_lines(reading: Reading) -> list[str]:
    """Return what was left out of the stream, a line for each reason."""
    lines = [f"left out, {one.what}: {one.count:,} ({one.why})" for one in reading.source.skipped]
    totals = reading.source.only_totals
    return lines if totals is None else [only_totals(totals), *lines]


def only_totals(totals: TotalsReading) -> str:
    """Return what is known of the time of which a capture holds only totals."""
    counts = {
        "finished": totals.finished,
        "failed": totals.failed,
        "cancelled": totals.cancelled,
        "lost": totals.lost,
        "moved": totals.moved,
    }
    tasks = ", ".join(f"{count:,} {name}" for name, count in counts.items() if count)
    idle_s = totals.searching_s + totals.parked_s + totals.fetching_s
    return (
        f"only totals are kept of the first {seconds((totals.end_ns - totals.begin_ns) / 1e9)}: "
        f"tasks {tasks or 'none ended'}; {seconds(totals.tasks_s)} of workers in tasks, "
        f"{seconds(totals.waits_s)} of that in waits, {seconds(idle_s)} reported idle"
    )
