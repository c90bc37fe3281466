"""Made-up captures of a pool with one queue, for tests that compare captures or check one."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

from histories import take_in
from idlehands.wire import FAILED, INBOX, SPAWNS, TASKS, WORKER_LIFETIMES, encode_columns
from idlehands_monitor.analysis.assemble import read
from idlehands_monitor.analysis.comparing import run_of
from idlehands_monitor.ledger import Ledger
from idlehands_monitor.model.source import SourceReading
from idlehands_monitor.model.vocabulary import StreamState

MS = 1_000_000
LEFT = 0
"""How a worker's lifetime ended: it left."""


@dataclass(frozen=True)
class Job:
    """Tasks that a pool runs first come, first served. All times in milliseconds.

    lengths: of its tasks, in the order in which they come. kinds: of each, by turns. spacing: the
    time between two hand-ins. in_flight: so many tasks at most, the next comes with an end; 0: no
    limit. jitter: each length is varied by up to this share. rest: how long a
    worker parks after each task, though others are queued. scale: of all lengths.
    """

    lengths: tuple[float, ...] = (8.0, 12.0, 10.0, 9.0, 11.0)
    kinds: tuple[str, ...] = ("mill.grind",)
    tasks: int = 200
    workers: int = 2
    spacing: float = 0.0
    in_flight: int = 0
    jitter: float = 0.02
    rest: float = 0.0
    failing: int = 0
    name: str = "mill"
    python: str = "3.12.1"
    closed: bool = True
    slow_kind: str = ""
    slower: float = 1.0


PLAIN = Job()


def ledger_of(job: Job, seed: int = 1) -> Ledger:
    """Return a ledger of the job's run; the seed varies the lengths."""
    random = Random(seed)
    free, ends = [0.0] * job.workers, list[float]()
    rows: list[list[tuple[int, ...]]] = [[] for _ in range(job.workers)]
    for number in range(job.tasks):
        kind = number % len(job.kinds)
        length = job.lengths[number % len(job.lengths)] * random.uniform(
            1 - job.jitter, 1 + job.jitter
        )
        if job.kinds[kind] == job.slow_kind:
            length *= job.slower
        came = number * job.spacing
        if job.in_flight and number >= job.in_flight:
            came = max(came, sorted(ends)[number - job.in_flight])
        worker = min(range(job.workers), key=lambda one: free[one])
        began = max(came, free[worker])
        free[worker] = began + length + job.rest
        ends.append(began + length)
        times = (round((came + 1) * MS), round((began + 1) * MS), round((began + length + 1) * MS))
        outcome = FAILED if number < job.failing else 0
        rows[worker].append(
            (number, -1, kind, times[0], -1, -1, times[1], times[2], INBOX, -1, outcome)
        )
    ended = max(row[7] for held in rows for row in held)
    return _taken_in(job, rows, ended + MS)


def _taken_in(job: Job, rows: list[list[tuple[int, ...]]], end_ns: int) -> Ledger:
    held = Ledger()
    take_in(
        held,
        {"frame": "hello", "version": 1, "pid": 4711, "python": job.python, "argv0": "mill.py"},
        {
            "frame": "names",
            "pool": 0,
            "name": job.name,
            "pool_kind": "thread pool",
            "workers": job.workers,
            "declared_ns": 0,
            "closed_ns": end_ns if job.closed else -1,
            "task_kinds": list(job.kinds),
            "threads": [[w, 100 + w, 0, f"hand-{w}", 1] for w in range(job.workers)],
            "shared_queue": True,
        },
    )
    spawned = sorted((row[0], row[3]) for held_rows in rows for row in held_rows)
    _rows(held, SPAWNS, -1, [(came,) for _, came in spawned], end_ns)
    for worker, mine in enumerate(rows):
        _rows(held, TASKS, worker, mine, end_ns)
        _rows(held, WORKER_LIFETIMES, worker, [(0, end_ns, 1, 100 + worker, LEFT)], end_ns)
    levels = {"frame": "levels", "pool": 0, "at_ns": end_ns, "inbox": 0, "deques": []}
    idle = {"workers": [[] for _ in range(job.workers)], "misuses": 0}
    take_in(held, {**levels, **idle, "ran": [len(mine) for mine in rows]})
    return held


def _rows(held, table, worker, values, end_ns):
    if values:
        columns = encode_columns(table.names, list(zip(*values, strict=True)))
        frame = {"frame": "rows", "pool": 0, "table": table.name, "worker": worker}
        take_in(
            held,
            {**frame, "first": 0, "rows": len(values), "complete_ns": end_ns, "columns": columns},
        )


def reading_of(job: Job = PLAIN, seed: int = 1):
    """Return the ledger and the reading of a run of the job."""
    held = ledger_of(job, seed)
    source = SourceReading(
        f"{job.name}-{seed}.idlehands", StreamState.REPLAY, python=job.python, cores=2
    )
    return held, read(held, source)


def run(job: Job = PLAIN, seed: int = 1):
    """Return what is kept of a run of the job to compare it."""
    return run_of(*reading_of(job, seed))
