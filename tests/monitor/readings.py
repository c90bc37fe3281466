"""Readings for the tests of views, made through the ledger as real ones are."""

from __future__ import annotations

import numpy as np

from histories import History, Task, frames, ledger, take_in
from idlehands.wire import encode_columns
from idlehands_monitor.analysis.assemble import read
from idlehands_monitor.analysis.stats.cache import FRESH
from idlehands_monitor.analysis.time.job_history import JobHistory
from idlehands_monitor.model.reading import Reading
from idlehands_monitor.model.source import SourceReading
from idlehands_monitor.model.stealing import StealReading
from idlehands_monitor.model.vocabulary import StreamState
from idlehands_monitor.session.feed import SELDOM

SECOND = 1_000_000_000
HOSTILE = "ev\x1b[31mil [bold]x[/] <b>&"


def source(**changes: object) -> SourceReading:
    """Return a source that is live."""
    known = {
        "target": "scripted",
        "state": "live",
        "pid": 4711,
        "python": "3.11.7",
        "program": "job.py",
        "cores": 2,
        "uptime_s": 75.0,
        "probe_cost": 0.002,
    }
    given = {**known, **changes}
    return SourceReading(**{**given, "state": StreamState(given["state"])})


def reading(workers: int = 4, hits: int = 5, *, fresh: bool = True, **changes: object) -> Reading:
    """Return ten seconds of a pool: worker 0 works, the others are parked, half of it starved."""
    end = 10 * SECOND
    history = History(workers, end)
    history.tasks = [Task(0, 0, 0, 0, 5 * SECOND), Task(1, 0, 0, 5 * SECOND, end)]
    history.idle_intervals = [(worker, 0, end, True, -1) for worker in range(1, workers)]
    held = ledger(history)
    for thief in range(workers):
        row = [hits * victim if victim != thief else 0 for victim in range(workers)]
        zero = [0] * workers
        take_in(
            held,
            {
                "frame": "counters",
                "pool": 0,
                "worker": thief,
                **encode_columns(("hits", "empties", "lost_races"), (row, row, zero)),
            },
        )
    for frame in frames(history):
        if frame["frame"] == "levels":
            take_in(
                held, {**frame, "at_ns": end + SECOND, "inbox": 3, "deques": list(range(workers))}
            )
    past = JobHistory()
    past.extend(held)
    return read(held, source(**changes), None, past, FRESH if fresh else SELDOM)


def steal_counts(hits: object, empties: object, lost_races: object) -> StealReading:
    """Return a reading of steal attempts from three matrices, thief by victim."""
    return StealReading(np.array([hits, empties, lost_races], dtype=np.int64))
