"""A reading in short, for an issue: headline, time split, findings, versions and host, and how to
open the capture that is attached to it.

Its facts are those of the report. It has at most so many rows and letters that it stays within
sixty lines of Markdown, whatever a capture holds.
"""

from __future__ import annotations

import shlex
from dataclasses import replace
from typing import TYPE_CHECKING

from idlehands import __version__

from ...model.vocabulary import CoreTimeSource, StreamState
from ..foreign_text import bounded, safe_line
from ..formatting import amount, category_name, number_of, seconds
from ..times import window_sentence
from .external import NOT_RECORDED
from .facts import Column, Commands, Section, Sentence, Table, Tone
from .findings import finding_text, gain_text
from .head import nothing, skipped_lines, who
from .headline import headline
from .host import cores_phrase
from .job import pool_names
from .places import place_phrase
from .pool import left_out
from .time_split import split_parts

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from ...model.external import ExternalPoolReading
    from ...model.findings import Finding
    from ...model.reading import PoolReading, Reading
    from .facts import Part

    AnyPool = PoolReading | ExternalPoolReading

MOST_POOLS, MOST_FINDINGS, MOST_WARNINGS = 6, 6, 4
LONGEST, LONGEST_NAME = 400, 40
"""Letters of a sentence, and of a name. An issue is read at a glance; the capture has the rest."""
LIVE = "This was a running process. To write a capture to attach:"
OPEN = "To open the capture, where it is attached:"


def brief(reading: Reading) -> tuple[Section, ...]:
    """Return the sections of a short report."""
    sections = (_head(reading), _time(reading), _findings(reading), _surroundings(reading))
    return tuple(section for section in sections if section is not None)


def _head(reading: Reading) -> Section:
    parts = [_short(sentence) for sentence in headline(reading)]
    window = window_sentence(reading.source.clock, reading.window_ns)
    parts += [Sentence(window)] if window else []
    if reading.external:
        parts.append(Sentence(NOT_RECORDED, Tone.STRONG))
    parts += [Sentence(text, Tone.STRONG) for text in _warnings(reading)]
    if not reading.pools and not reading.external:
        parts.append(Sentence(nothing(reading)))
    return Section(f"idlehands: {_name(reading)}", parts=tuple(parts), level=2)


def _name(reading: Reading) -> str:
    """Return the target without its folders: they may be private, and say nothing."""
    return bounded(reading.source.target.rpartition("/")[2] or reading.source.target, 80)


def _short(sentence: Sentence) -> Sentence:
    return Sentence(bounded(sentence.text, LONGEST), sentence.tone)


def _warnings(reading: Reading) -> list[str]:
    """Return what makes the figures doubtful, the first few."""
    found = [f"Warning: {reading.source.warning}"] if reading.source.warning else []
    found += skipped_lines(reading)
    for pool in reading.pools:
        if pool.broken:
            found.append(f"The pool {pool.name} is broken: {pool.broken}")
        missing = left_out(pool)
        found += [one.text for one in missing.sentences] if missing is not None else []
    if len(found) > MOST_WARNINGS:
        more = len(found) - MOST_WARNINGS + 1
        found[MOST_WARNINGS - 1 :] = [f"and {number_of(more, 'more warning')}"]
    return [bounded(text, LONGEST) for text in found]


# -- where the worker time went ------------------------------------------------------------------


def _time(reading: Reading) -> Section | None:
    pools: list[AnyPool] = [*reading.pools, *reading.external]
    if not pools:
        return None
    if len(pools) > 1:
        return Section(
            "Where the worker time went", _more(len(pools), MOST_POOLS, "pool"), _pools(pools)
        )
    (pool,) = pools
    title = f"Pool {bounded(pool.name, 80)}"
    return Section(title, _about(pool), split_parts(pool.time, _core_time(pool)))


def _more(count: int, most: int, noun: str) -> str:
    return f"and {number_of(count - most, f'more {noun}')}" if count > most else ""


def _core_time(pool: AnyPool) -> CoreTimeSource:
    return getattr(pool, "core_time", CoreTimeSource.KERNEL)


def _about(pool: AnyPool) -> str:
    return (
        f"{bounded(pool.kind, LONGEST_NAME)}, {number_of(len(pool.workers), 'worker')} over "
        f"{seconds(pool.window_s)}, {pool.time.worker_seconds:.1f} worker-seconds"
    )


def _pools(pools: list[AnyPool]) -> tuple[Part, ...]:
    """Return a column for each of the pools with the most worker time, and a row a category."""
    most = sorted(pools, key=lambda pool: -pool.time.worker_seconds)[:MOST_POOLS]
    split = [
        {category_name(one.category, _core_time(pool)): amount(one) for one in pool.time.shares}
        for pool in most
    ]
    categories = dict.fromkeys(name for shares in split for name in shares)
    rows = (
        ("kind", *(bounded(pool.kind, LONGEST_NAME) for pool in most)),
        ("workers", *(str(len(pool.workers)) for pool in most)),
        ("worker-seconds", *(f"{pool.time.worker_seconds:.1f}" for pool in most)),
        *((name, *(shares.get(name, "–") for shares in split)) for name in categories),
    )
    names = (bounded(name, LONGEST_NAME) for name in pool_names(most))
    heads = (Column(name, to_right=True) for name in names)
    return (Table((Column("category"), *heads), rows),)


# -- findings, and what they were found on -------------------------------------------------------


def _findings(reading: Reading) -> Section | None:
    """Return the findings, those of the headline's pool first; None without any."""
    first = reading.headline[0] if reading.headline is not None else None
    every: list[AnyPool] = [*reading.pools, *reading.external]
    pools = sorted(every, key=lambda pool: pool is not first)
    found = [(pool, finding) for pool in pools for finding in pool.findings]
    if not found:
        return None
    several = len(every) > 1
    names = dict(zip(map(id, every), pool_names(every), strict=True))
    columns = (*((Column("pool"),) if several else ()), Column("finding"), Column("gain"))
    rows = tuple(
        (*((bounded(names[id(pool)], LONGEST_NAME),) if several else ()), *_finding(finding))
        for pool, finding in found[:MOST_FINDINGS]
    )
    more = _more(len(found), MOST_FINDINGS, "finding")
    return Section("Findings", more, (Table(columns, rows),))


def _finding(finding: Finding) -> tuple[str, str]:
    gain = gain_text(finding).removeprefix("Gain: ") or "–"
    text = f"{finding_text(finding)} {place_phrase(finding)}".strip()
    return bounded(text, LONGEST), bounded(gain, LONGEST)


def _surroundings(reading: Reading) -> Section:
    """Return the versions and the host, and what to type to see more."""
    is_capture = reading.source.state is StreamState.REPLAY
    source = reading.source
    without_folders = replace(source, program=source.program.rpartition("/")[2])
    facts = [who(without_folders), *_host(reading), f"read by idlehands {__version__}"]
    text = "; ".join(fact for fact in facts if fact)
    return Section(
        "Versions and host",
        parts=(
            Sentence(bounded(text, LONGEST)),
            Sentence(OPEN if is_capture else LIVE),
            Commands(tuple(_commands(reading, is_capture=is_capture))),
        ),
    )


def _host(reading: Reading) -> Iterable[str]:
    yield cores_phrase(reading)
    if reading.source.uptime_s:
        yield f"up {seconds(reading.source.uptime_s)}"
    if reading.source.probe_cost is not None:
        yield f"the probe costs {reading.source.probe_cost:.1%}"


def _commands(reading: Reading, *, is_capture: bool) -> Iterator[str]:
    name = shlex.quote(safe_line(_name(reading)))
    if is_capture:
        yield f"idlehands explain {name}"
        yield f"idlehands watch {name}"
    else:
        yield f"idlehands capture {name} -o bug.idlehands --for 60s"
