"""The last state of a process as facts: how it ended or why it is silent, and its workers."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from ..foreign_text import bounded
from ..formatting import STATE_NAMES, count, maybe, number_of, seconds
from .facts import Column, Section, Sentence, Table, Tone, plain
from .host import size

if TYPE_CHECKING:
    from ...model.last_state import LastPool, LastState, LastWorker

KIND_CELLS = 40
ENDED = (
    "The process ended without its exit functions: it was killed, it crashed, it called os._exit, "
    "or it became another program."
)
RESTS = "The process runs. Its probe has no thread since a fork, until the next task is handed in."
STOPPED = "The process is stopped."
ANSWERS_NOT = "The process runs, and its probe writes its state, but does not answer."
NO_POOL = "It had no open pool."


def moment(wall_s: float) -> str:
    """Write a moment of the wall clock in local time with its zone."""
    return f"{datetime.fromtimestamp(wall_s).astimezone():%Y-%m-%d %H:%M:%S %Z}"


def last_state(state: LastState) -> tuple[Section, ...]:
    """Return every section of a last state."""
    return (_head(state), *map(_pool, state.pools))


def _head(state: LastState) -> Section:
    sentences = [Sentence(_verdict(state), Tone.STRONG)]
    ago = seconds(state.age_s)
    written = f"Its last state was written at {moment(state.seen_s)}, {ago} ago"
    before = "" if state.is_running else "; a process writes it once a second"
    sentences += plain(f"{written}{before}.")
    if state.began_s is not None:
        sentences += plain(f"It began at {moment(state.began_s)}.")
    if state.peak_bytes:
        sentences += plain(f"The most memory that it had held: {size(state.peak_bytes)}.")
    if state.pools_left_out:
        left_out = number_of(state.pools_left_out, "open pool")
        sentences += plain(f"The page has no room for {left_out} more.")
    elif not state.pools:
        sentences += plain(NO_POOL)
    lead = f"{bounded(state.program)}, Python {bounded(state.python)}"
    return Section(f"Last state of process {state.pid}", lead, tuple(sentences), level=1)


def _verdict(state: LastState) -> str:
    if not state.is_running:
        return ENDED
    if state.is_stopped:
        return STOPPED
    if state.is_resting:
        return RESTS
    if state.silent_s is None:
        return ANSWERS_NOT
    return f"The process runs, but {silence(state.silent_s)}."


def silence(silent_s: float) -> str:
    """Return what a page says that was not written for so long, in one clause."""
    return (
        f"its interpreter has run no other thread for {seconds(silent_s)}: "
        "a call holds the interpreter lock, or the process gets no core"
    )


def _pool(pool: LastPool) -> Section:
    workers = number_of(pool.workers, "worker")
    counts = (
        f"{count(pool.handed_in)} tasks handed in, {count(pool.ran)} ended, "
        f"{count(pool.queued)} in the queue."
    )
    parts = [*plain(counts)]
    if pool.detail:
        less = f"Recorded with less detail ({pool.detail}): of other tasks a worker shows nothing."
        parts.append(Sentence(less, Tone.NOTE))
    if len(pool.listed) < pool.workers:
        more = number_of(pool.workers - len(pool.listed), "more worker")
        parts.append(Sentence(f"The page has no room for {more}.", Tone.NOTE))
    table = (_workers(pool.listed),) if pool.listed else ()
    title = f"Pool {bounded(pool.name)}"
    return Section(title, f"{bounded(pool.kind)}, {workers}", (*parts, *table), level=2)


def _workers(workers: tuple[LastWorker, ...]) -> Table:
    columns = (
        Column("worker", to_right=True),
        Column("state"),
        Column("task", cells=KIND_CELLS),
        Column("for", to_right=True),
        Column("process", to_right=True),
    )
    rows = tuple(
        (
            str(worker.index),
            STATE_NAMES[worker.state],
            bounded(worker.doing) or "–",
            maybe(worker.for_s),
            str(worker.pid) if worker.pid >= 0 else "–",
        )
        for worker in workers
    )
    return Table(columns, rows)
