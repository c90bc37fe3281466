"""What a page with pictures draws of a pool, each with the same in numbers as a table."""

from __future__ import annotations

from math import isnan
from typing import TYPE_CHECKING

import numpy as np

from ...model.worker_time import CATEGORIES, FIRST_IDLE
from ..foreign_text import bounded
from ..formatting import category_name, count, number_of, seconds, share
from .facts import Column, Columns, Course, Lane, Lanes, Mark, Picture, Table
from .time_split import bar_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ...model.arrays import Float
    from ...model.graph import GraphReading
    from ...model.lengths import LengthsReading
    from ...model.reading import PoolReading
    from ...model.worker_time import WorkerSlices
    from ...model.workers import WorkerReading

MOST_LANES = 64
"""So many workers have a lane; the table of workers has all."""
MANY_LANES, FEW_SLICES = 32, 20
"""With more lanes than this, each has fewer slices, so that the page stays small."""
TABLE_SLICES = 10
"""The table beside the lanes has so many slices at most."""
MARKS = 4
"""So many parts of an axis of time have a mark."""


def course(pool: PoolReading) -> Picture | None:
    """Return the time split over time; None of fewer than two slices."""
    if len(pool.history) < 2:
        return None
    bars = tuple(bar_of(part, pool.core_time) for part in pool.history)
    times = tuple(_slice(place, pool.slice_s) for place in range(len(bars)))
    heads = tuple(
        Column(category_name(category, pool.core_time), to_right=True) for category in CATEGORIES
    )
    rows = tuple(
        (time, *(share(one.value) for one in part.shares))
        for time, part in zip(times, pool.history, strict=True)
    )
    title = f"The time split over time, {seconds(pool.slice_s)} a column"
    marks = time_marks(pool.slice_s * len(bars))
    return Picture(title, Course(bars, times, marks), Table((Column("time"), *heads), rows))


def _slice(place: int, slice_s: float) -> str:
    return f"{_since_begin(place * slice_s)} to {seconds((place + 1) * slice_s)}"


def _since_begin(time_s: float) -> str:
    """Write a time since the begin of the window; the begin itself is 0 s."""
    return seconds(time_s) if time_s else "0 s"


def lanes(pool: PoolReading) -> Picture | None:
    """Return a lane for each worker, its time split over time; None where it is not known."""
    slices = pool.worker_slices
    if len(slices.by_category) < 2:
        return None
    shown = pool.workers[:MOST_LANES]
    most = FEW_SLICES if len(shown) > MANY_LANES else len(slices.by_category)
    fewer = slices.merged(most)
    drawn = tuple(_lane(pool, worker, fewer.shares(worker.index)) for worker in shown)
    marks = time_marks(pool.slice_s * len(slices.by_category))
    left_out = len(pool.workers) - len(shown)
    more = f"; {number_of(left_out, 'more worker')} in the table" if left_out else ""
    title = f"What each worker did over time, from left to right{more}"
    table = _idle_table(pool, shown)
    return Picture(title, Lanes(CATEGORIES, drawn, _edges(slices, fewer), marks), table)


def _edges(slices: WorkerSlices, fewer: WorkerSlices) -> tuple[float, ...]:
    """Return where merged slices begin and end, as parts of the window."""
    whole, parts = len(slices.by_category), len(fewer.by_category)
    together = -(-whole // parts)
    return (*(place * together / whole for place in range(parts)), 1.0)


def _lane(pool: PoolReading, worker: WorkerReading, shares: Float) -> Lane:
    known = ~np.isnan(shares[:, 0])
    rows = tuple(
        tuple(row) if is_known else ()
        for row, is_known in zip(shares.tolist(), known.tolist(), strict=True)
    )
    parts = [
        part.label for part in bar_of(worker.time, pool.core_time).slices if part.share >= 0.005
    ]
    name = f" ({bounded(worker.name, 60)})" if worker.name else ""
    return Lane(str(worker.index), f"worker {worker.index}{name}: {', '.join(parts)}", rows)


def _idle_table(pool: PoolReading, shown: Sequence[WorkerReading]) -> Table:
    fewer = pool.worker_slices.merged(TABLE_SLICES)
    whole_s = pool.slice_s * len(pool.worker_slices.by_category)
    edges = [_since_begin(whole_s * edge) for edge in _edges(pool.worker_slices, fewer)]
    times = [f"{low} to {high}" for low, high in zip(edges, edges[1:], strict=False)]
    heads = ("idle share of worker", *times)
    rows = []
    for worker in shown:
        idle = fewer.shares(worker.index)[:, FIRST_IDLE:].sum(axis=1).tolist()
        cells = ("–" if isnan(value) else share(value) for value in idle)
        rows.append((str(worker.index), *cells))
    return Table(tuple(Column(head, to_right=True) for head in heads), tuple(rows))


def queue_course(pool: PoolReading) -> Picture | None:
    """Return the length of the queue over time; None where it is not known."""
    known = [length for length in pool.queue_lengths if not isnan(length)]
    if len(known) < 2:
        return None
    values = tuple(None if isnan(length) else length for length in pool.queue_lengths)
    texts = tuple("–" if value is None else f"{value:.1f}" for value in values)
    times = tuple(_slice(place, pool.slice_s) for place in range(len(values)))
    title = f"Tasks in the queue over time, the mean of {seconds(pool.slice_s)} a column"
    return _columns(title, ("time", "queued tasks"), values, texts, times, pool.slice_s)


def could_run(graph: GraphReading | None) -> Picture | None:
    """Return how many tasks could run at each time on unlimited workers; None where that is not
    known."""
    if graph is None or graph.critical is None or len(graph.critical.could_run) < 2:
        return None
    values = graph.critical.could_run
    slice_s = graph.span_s / len(values)
    times = tuple(_slice(place, slice_s) for place in range(len(values)))
    texts = tuple(f"{value:.1f}" for value in values)
    title = "Tasks that could run at once over the span Tinf, on unlimited workers"
    return _columns(title, ("time", "tasks"), values, texts, times, slice_s)


def _columns(
    title: str,
    heads: tuple[str, str],
    values: tuple[float | None, ...],
    texts: tuple[str, ...],
    times: tuple[str, ...],
    slice_s: float,
) -> Picture:
    most = max(value for value in values if value is not None)
    labels = tuple(f"{time}: {text}" for time, text in zip(times, texts, strict=True))
    drawn = Columns(values, labels, time_marks(slice_s * len(values)), f"{most:.1f}")
    rows = tuple(zip(times, texts, strict=True))
    return Picture(title, drawn, Table((Column(heads[0]), Column(heads[1], to_right=True)), rows))


def time_marks(duration_s: float) -> tuple[Mark, ...]:
    """Return the marks of an axis from 0 to a duration, in equal parts."""
    return tuple(
        Mark(part / MARKS, _since_begin(duration_s * part / MARKS)) for part in range(MARKS + 1)
    )


def lengths_picture(title: str, held: LengthsReading) -> Picture:
    """Return how many intervals were how long, on a logarithmic axis with a mark a decade."""
    edges = [seconds(edge) for edge in held.edges_s]
    times = tuple(f"{low} to {high}" for low, high in zip(edges, edges[1:], strict=False))
    texts = tuple(map(str, held.counts))
    values = tuple(map(float, held.counts))
    labels = tuple(f"{time}: {text}" for time, text in zip(times, texts, strict=True))
    drawn = Columns(values, labels, _length_marks(held), count(max(held.counts)))
    table = Table(
        (Column("length"), Column("number", to_right=True)), tuple(zip(times, texts, strict=True))
    )
    return Picture(title, drawn, table)


def _length_marks(held: LengthsReading) -> tuple[Mark, ...]:
    """Return a mark for each power of ten in seconds, at both ends where there are fewer than
    two."""
    exponents = np.log10(held.edges_s)
    width = exponents[-1] - exponents[0]
    whole = range(int(np.ceil(exponents[0] - 1e-9)), int(np.floor(exponents[-1] + 1e-9)) + 1)
    marks = [Mark(float((one - exponents[0]) / width), seconds(10.0**one)) for one in whole]
    if len(marks) > 1:
        return tuple(marks)
    return (Mark(0.0, seconds(held.edges_s[0])), Mark(1.0, seconds(held.edges_s[-1])))
