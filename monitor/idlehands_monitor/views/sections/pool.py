"""The head of a recorded pool, its workers, and what its figures leave out."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..foreign_text import bounded
from ..formatting import STATE_NAMES, number_of, seconds
from ..times import window_sentence
from .facts import Column, Section, Sentence, Tone
from .time_split import WorkerRow, workers_section

if TYPE_CHECKING:
    from ...model.reading import PoolReading, Reading
    from ...model.workers import DeadWorkerReading, LifetimesReading

LONGEST_SENTENCE = 2000
SAME_NS = 1_000_000_000
"""The windows of the pools of a job differ by less than this where the pools were there all the
time: each ends with the last data of its pool."""


def pool_head(pool: PoolReading, reading: Reading) -> Section:
    """Return what a pool is, and what holds for all of its figures."""
    where = f", process {pool.pid}" if pool.pid >= 0 else ""
    closed = ", closed" if pool.closed else ""
    lead = (
        f"{bounded(pool.kind)}{where}{closed}; {workers_phrase(pool)} over "
        f"{seconds(pool.window_s)}, {pool.time.worker_seconds:.1f} worker-seconds"
    )
    parts = []
    if window := own_window(pool, reading):
        parts.append(Sentence(window))
    if pool.broken:
        parts.append(Sentence(f"The pool is broken: {bounded(pool.broken)}", Tone.STRONG))
    if pool.lifetimes is not None:
        parts.append(Sentence(bounded(lifetimes_sentence(pool.lifetimes), LONGEST_SENTENCE)))
    cost = reading.source.probe_cost
    detail = detail_sentence(pool.detail, pool.counted_s, pool.thinned_s, pool.thinning_error, cost)
    if detail:
        parts.append(Sentence(detail))
    return Section(f"Pool {bounded(pool.name)}", lead, tuple(parts), level=2)


def workers_phrase(pool: PoolReading) -> str:
    """Return how many workers a pool has, and how many it may start where those are more."""
    more = f" of at most {pool.size}" if pool.size > len(pool.workers) else ""
    return f"{number_of(len(pool.workers), 'worker')}{more}"


def own_window(pool: PoolReading, reading: Reading) -> str:
    """Return from when to when a pool is read, "" where that is the window of the whole report."""
    own, whole = (pool.begin_ns, pool.end_ns), reading.window_ns or (0, 0)
    if all(abs(one - other) <= SAME_NS for one, other in zip(own, whole, strict=True)):
        return ""
    return window_sentence(reading.source.clock, own)


def workers(pool: PoolReading) -> Section:
    """Return one row a worker."""
    further = (Column("tasks", to_right=True), Column("at the end"))
    rows = (
        WorkerRow(
            worker.index,
            worker.name,
            worker.time,
            (str(worker.tasks_finished), STATE_NAMES[worker.state]),
        )
        for worker in pool.workers
    )
    return workers_section(rows, further, pool.core_time)


def left_out(pool: PoolReading) -> Section | None:
    """Return what the figures leave out and why they may be wrong; None where they are whole."""
    parts = []
    if pool.lost_rows or pool.unrecorded_s > 0:
        parts.append(
            f"{number_of(pool.lost_rows, 'row')} lost; these figures leave out "
            f"{seconds(pool.unrecorded_s)} of the window."
        )
    if pool.misuses:
        parts.append(
            f"The pool used its probe wrongly {number_of(pool.misuses, 'time')}; these figures may "
            "be wrong."
        )
    strong = tuple(Sentence(text, Tone.STRONG) for text in parts)
    return Section("What these figures leave out", parts=strong) if strong else None


def detail_sentence(
    detail: str, counted_s: float, thinned_s: float, error: float, cost: float | None
) -> str:
    """Return what the probe gave up to cost less, and what it costs as it is; empty where nothing.

    cost: the share of the worker time that it takes, None where that is not known.
    """
    if not detail and not counted_s and not thinned_s:
        return ""
    text = f"To cost less the probe records: {detail or 'all'}."
    if cost is not None:
        text += f" As it is it costs {cost:.1%} of the worker time."
    if thinned_s:
        plus_minus = f", ± {error:.1%} of the time in tasks" if error == error else ""
        text += f" For {seconds(thinned_s)} of the window times are estimated from a sample of the"
        text += f" tasks{plus_minus}."
    if counted_s:
        text += f" For {seconds(counted_s)} of the window only the number of tasks is known."
    return text


def lifetimes_sentence(lifetimes: LifetimesReading) -> str:
    """Return how a pool's workers came and went."""
    there = number_of(lifetimes.present, "worker")
    text = f"{there} at the end; {lifetimes.joined} joined, {lifetimes.left} left"
    if not lifetimes.died:
        return text + "."
    text += f", {lifetimes.died} died"
    for dead in lifetimes.dead:
        task = f" in {dead.kind}, {seconds(dead.run_s)} after it began" if dead.kind else ""
        who = f"worker {dead.worker} ({_of(dead)})" if dead.worker >= 0 else _of(dead)
        text += f"; {who} died{task}"
    return text + "."


def _of(dead: DeadWorkerReading) -> str:
    return f"a thread of process {dead.pid}" if dead.is_thread else f"process {dead.pid}"
