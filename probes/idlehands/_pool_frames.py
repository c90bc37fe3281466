"""What a pool is now, as frames: its names, its levels and its workers' open intervals."""

from __future__ import annotations

import os
from itertools import islice
from typing import Any, Callable

from ._packed_rows import fitting
from ._pool import PoolProbe
from ._raised import together
from ._tables import MOST_WORKERS, NONE
from ._wire import Frame

SPAWNED_BY = 4
"""The place in a token of the worker that spawned the task."""


def names_frame(pool: PoolProbe) -> Frame:
    """Return the frame with the names of a pool and of its parts."""
    return {
        "frame": "names",
        "pool": pool.number,
        "name": pool.name,
        "pool_kind": pool.kind,
        "workers": pool.workers,
        "most_workers": pool.most_workers,
        "declared_ns": pool.declared_ns,
        "closed_ns": pool.closed_ns,
        "shared_queue": pool.shared_queue,
        "tells_meetings": pool.reports_contention,
        "broken": pool.broken(),
        "first_dead": pool.first_dead,
        "steps": pool.steps,
        "sampled_by": pool.thinned_by,
        "task_kinds": list(pool.kinds),  # in the order of their numbers
        "threads": [
            [probe.index, probe.native_id, probe.ident, probe.thread_name, process_of(probe)]
            for probe in pool.probes
            if probe.native_id >= 0
        ],
    }


def process_of(probe: Any) -> int:
    """Return the process that a worker is in: this one, or a worker process."""
    pid = getattr(probe, "pid", NONE)
    return pid if pid >= 0 else os.getpid()


def open_intervals(probe: Any) -> list[list[int]]:
    """Return a worker's open intervals, outermost first.

    A task is [0, its six token columns, started_ns, taken_from], a wait [1, began_ns, on_task], an
    idle interval [2, began_ns, state] and the worker's lifetime [3, began_ns]. There is at most one
    lifetime, first, and one idle interval, last.
    """
    token, started, taken_from = probe.open_token, probe.started, probe.taken_from
    idle_interval, stack = probe.idle_interval, probe.stack[:]
    intervals: list[list[int]] = []
    joined = getattr(probe, "joined_ns", NONE)
    if joined > 0:
        intervals.append([3, joined])
    for suspended in stack:
        intervals.append([0, *suspended[0], suspended[1], suspended[2]])
        intervals.append([1, suspended[4], suspended[5]])
    if token is not None:
        # The worker sets the token last: unchanged, it belongs to what was read with it.
        if token == probe.open_token and not any(token is suspended[0] for suspended in stack):
            by = token[SPAWNED_BY] if token[SPAWNED_BY] < MOST_WORKERS else NONE
            intervals.append([0, *token[:SPAWNED_BY], by, token[-1], started, taken_from])
    elif idle_interval is not None and probe.idle_interval is idle_interval:
        intervals.append([2, idle_interval[1], idle_interval[0]])
    return intervals


def levels_frame(pool: PoolProbe, now: int, open_now: list[list[list[int]]]) -> Frame:
    """Return the frame of a pool's present levels; `open_now` was read at `now`."""
    inbox, deques = _depths(pool)
    return {
        "frame": "levels",
        "pool": pool.number,
        "at_ns": now,
        "inbox": inbox,
        "deques": deques,
        "workers": open_now,
        "misuses": pool.misuses,
        "spawned": pool.tasks_spawned(),
        "ran": [probe.tasks_run for probe in pool.probes],
        "raised": together(probe.errors for probe in pool.probes[:]),
    }


def _depths(pool: PoolProbe) -> tuple[int, list[int]]:
    read: Callable[[], Any] | None = pool.depths
    if read is None:
        return NONE, []
    try:
        inbox, deques = read()
        return fitting(inbox), list(map(fitting, islice(deques, pool.workers)))
    except Exception:
        # The job's own callable failed, perhaps while the pool closes: its depths are unknown.
        return NONE, []
