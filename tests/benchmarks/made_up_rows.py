"""Made-up but valid streams: eight workers whose tasks never overlap, some with idle intervals."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from typing import Any

from idlehands.wire import (
    FINISHED,
    IDLE_INTERVALS,
    INBOX,
    NONE,
    OWN_DEQUE,
    PARKED,
    SEARCHING,
    SPAWNS,
    TASKS,
    VERSION,
    Table,
    encode,
    encode_columns,
)
from idlehands_monitor.ingest.capture import CaptureWriter

WORKERS = 8
ROWS_PER_FRAME = 2048
BEGIN_NS = 1_000_000_000_000
FLUSH_NS = 100_000_000
GAP_EVERY = 16
Rows = list[tuple[int, ...]]


class Made:
    """One pool's life: each step makes what one flush of a probe would send."""

    def __init__(self, seed: int = 1) -> None:
        self.random = random.Random(seed)
        self.now = [BEGIN_NS] * WORKERS
        self.spawns: Rows = []
        self.tasks: list[Rows] = [[] for _ in range(WORKERS)]
        self.idle_intervals: list[Rows] = [[] for _ in range(WORKERS)]
        self.number = 0

    def task(self, worker: int) -> None:
        """Let `worker` run its next task, now and then after an idle interval."""
        pick = self.random.random
        began = self.now[worker] + 400
        if self.number % GAP_EVERY == worker % GAP_EVERY:
            began = self._gap(worker, began)
        spawned = max(BEGIN_NS, began - 1000 - int(pick() * 20_000_000))
        ended = began + 20_000 + int(pick() * 200_000)
        taken = self._taken_from(worker)
        kind, parent = self.number % 3, self.number // 2 - 1
        row = (
            *(self.number, parent, kind, spawned, worker, NONE),
            *(began, ended, taken, NONE, FINISHED),
        )
        self.spawns.append((self.number, spawned))
        self.tasks[worker].append(row)
        self.number += 1
        self.now[worker] = ended

    def _gap(self, worker: int, began: int) -> int:
        parked = self.random.random() < 0.5
        ended = began + 5_000 + int(self.random.random() * 80_000)
        state = PARKED if parked else SEARCHING
        self.idle_intervals[worker].append(
            (began, ended, state, 3, NONE, ended - 4000 if parked else NONE)
        )
        return ended + 300

    def _taken_from(self, worker: int) -> int:
        chance = self.random.random()
        if chance < 0.1:
            return INBOX
        return OWN_DEQUE if chance < 0.8 else (worker + 1) % WORKERS


def frame(table: Table, worker: int, first: int, rows: Sequence[Sequence[int]], done: int) -> bytes:
    """Return one encoded frame of rows."""
    return encode(
        {
            "frame": "rows",
            "pool": 0,
            "table": table.name,
            "parts": [[worker, first, len(rows)]],
            "rows": len(rows),
            "complete_ns": done,
            "columns": encode_columns(table.names, list(zip(*rows))),
        }
    )


def opening() -> bytes:
    """Return the frames that say who and what the rest is of."""
    threads = [[worker, NONE, 1000 + worker, f"worker-{worker}"] for worker in range(WORKERS)]
    hello = {
        **{"frame": "hello", "version": VERSION, "pid": 1, "argv0": "made-up", "python": "3"},
        **{"now_ns": BEGIN_NS, "wall_ns": BEGIN_NS},
    }
    names = {
        **{"frame": "names", "pool": 0, "name": "made-up", "pool_kind": "work-stealing"},
        **{"workers": WORKERS, "declared_ns": BEGIN_NS, "closed_ns": NONE, "threads": threads},
        "task_kinds": ["divide", "solve", "join"],
    }
    return encode(hello) + encode(names)


def task_frames(rows: int) -> list[bytes]:
    """Return full frames of task rows, `rows` in all, the workers taking turns."""
    made = Made()
    frames: list[bytes] = []
    firsts = [0] * WORKERS
    left = rows
    while left:
        for worker in range(WORKERS):
            count = min(left, ROWS_PER_FRAME)
            for _ in range(count):
                made.task(worker)
            if count:
                done = made.now[worker]
                frames.append(frame(TASKS, worker, firsts[worker], made.tasks[worker], done))
            firsts[worker] += count
            made.tasks[worker].clear()
            left -= count
    return frames


def levels(at_ns: int) -> bytes:
    """Return the frame that closes a flush: every worker between two tasks."""
    fields: dict[str, Any] = {"inbox": 0, "deques": [0] * WORKERS, "workers": [[]] * WORKERS}
    return encode({"frame": "levels", "pool": 0, "at_ns": at_ns, "misuses": 0, **fields})


def flushes(tasks: int) -> Iterator[tuple[int, bytes]]:
    """Yield (moment, frames of a tenth of a second), `tasks` tasks in all, spawns first."""
    made = Made()
    first: dict[tuple[str, int], int] = {}
    moment = BEGIN_NS
    while made.number < tasks:
        moment += FLUSH_NS
        while made.number < tasks and min(made.now) < moment:
            made.task(made.now.index(min(made.now)))
        done = max(moment, *made.now)
        stores = [(SPAWNS, NONE, made.spawns)]
        for worker in range(WORKERS):
            stores += [
                (TASKS, worker, made.tasks[worker]),
                (IDLE_INTERVALS, worker, made.idle_intervals[worker]),
            ]
        sent = b""
        for table, worker, rows in stores:
            for start in range(0, len(rows), ROWS_PER_FRAME):
                some = rows[start : start + ROWS_PER_FRAME]
                begin = first.get((table.name, worker), 0)
                sent += frame(table, worker, begin, some, done)
                first[table.name, worker] = begin + len(some)
            rows.clear()
        yield done, sent + levels(done)


def write_capture(path: str, tasks: int) -> None:
    """Write a capture of `tasks` tasks to `path`."""
    writer = CaptureWriter(path)
    writer.add(BEGIN_NS, opening())
    for moment, frames in flushes(tasks):
        writer.add(moment, frames)
    writer.close()
