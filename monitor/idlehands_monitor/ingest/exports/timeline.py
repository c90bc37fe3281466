"""A recording as a trace for timeline viewers: the JSON object form of the Trace Event Format.

The format is published by the Chromium project ("Trace Event Format", Google Docs
1CvAClvFfyA5R-PhYUmn5OOQtYMH4h6I0nSsKchNAySU); times are microseconds there, with decimals. A pool
is shown as a process of the trace and a worker as a thread of it, because a viewer has a row for
each of these. A task, a wait in it and an idle interval are each a complete event (X); the lengths
of queues are counter events (C); names are metadata (M). Pure: frames in, text out.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from idlehands.wire import IDLE_INTERVALS, IDLE_STATES, NONE, OUTCOMES, TASKS, WAITS

from .pool_names import PoolNames

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from ..schema import CheckedFrame
    from .pool_names import KnownPool

OUTSIDE = NONE
END = "\n]}\n"


def microseconds(nanoseconds: int) -> str:
    """Return a time of the trace, exact to the nanosecond."""
    sign = "-" if nanoseconds < 0 else ""
    return f"{sign}{abs(nanoseconds) // 1000}.{abs(nanoseconds) % 1000:03d}"


def timeline(
    known: PoolNames, frames: Iterable[CheckedFrame], version: str, clean: Callable[[str], str]
) -> Iterator[str]:
    """Yield the trace in pieces.

    known: the names as they are at the end of the recording. frames: those of the recording from
    its beginning. clean: makes text of the job safe.
    """
    head = {"recorded with": f"idlehands {version}", "clock": "CLOCK_MONOTONIC of the host"}
    yield f'{{"displayTimeUnit":"ns","otherData":{json.dumps(head)},"traceEvents":[\n'
    events = _metadata(known, clean)
    yield ",\n".join(json.dumps(event, separators=(",", ":")) for event in events)
    drawer = _Drawer(known, clean)
    first = not events
    for frame in frames:
        lines = drawer.draw(frame)
        if lines:
            yield ("" if first else ",\n") + ",\n".join(lines)
            first = False
    yield END


def _metadata(known: PoolNames, clean: Callable[[str], str]) -> list[dict[str, Any]]:
    """Return the names of the pools and their workers."""
    found: list[dict[str, Any]] = []

    def name(what: str, pool: int, worker: int, args: dict[str, Any]) -> None:
        found.append({"name": what, "ph": "M", "ts": 0, "pid": pool, "tid": worker, "args": args})

    for pool in known.pools:
        if pool.withdrawn:
            continue
        number = pool.number + 1
        called = f"{clean(pool.name)} (process {pool.process.pid})"
        name("process_name", number, 0, {"name": called})
        name("process_sort_index", number, 0, {"sort_index": pool.number})
        for worker in sorted(pool.threads):
            called = f"worker {worker} {clean(pool.worker_name(worker))}".rstrip()
            name("thread_name", number, worker + 1, {"name": called})
            name("thread_sort_index", number, worker + 1, {"sort_index": worker})
    return found


class _Drawer:
    """Draws the events of frames. Numbers of pools and workers begin with 1: 0 means the kernel."""

    def __init__(self, known: PoolNames, clean: Callable[[str], str]) -> None:
        self._known = known
        self._following = PoolNames()
        self._clean = clean
        self._names: dict[tuple[int, int], str] = {}

    def draw(self, frame: CheckedFrame) -> list[str]:
        """Return the events of one frame as JSON."""
        self._following.take(frame)
        if frame["frame"] not in ("rows", "levels"):
            return []
        pool = self._known.pools[self._following.pool(frame).number]
        if pool.withdrawn:
            return []
        if frame["frame"] == "levels":
            return self._levels(pool, frame)
        draw = {
            TASKS.name: self._task,
            WAITS.name: self._wait,
            IDLE_INTERVALS.name: self._idle,
        }.get(frame["table"])
        if draw is None:
            return []
        workers = [part[0] for part in frame["parts"] for _ in range(part[3])]
        rows = frame["values"].T.tolist()
        return [
            draw(pool, worker, row)
            for worker, row in zip(workers, rows, strict=True)
            if worker != OUTSIDE  # a task that left its queue without running
        ]

    def _event(
        self, pool: KnownPool, worker: int, began_ns: int, ended_ns: int, name: str, rest: str
    ) -> str:
        return (
            f'{{"name":{name},"ph":"X","ts":{microseconds(began_ns)},'
            f'"dur":{microseconds(ended_ns - began_ns)},'
            f'"pid":{pool.number + 1},"tid":{worker + 1},{rest}}}'
        )

    def _kind(self, pool: KnownPool, kind: int) -> str:
        key = pool.number, kind
        if key not in self._names:
            self._names[key] = json.dumps(self._clean(pool.kind_name(kind)))
        return self._names[key]

    def _task(self, pool: KnownPool, worker: int, row: list[int]) -> str:
        task, parent, kind, spawned, _, size, started, ended, taken, cpu, outcome = row
        queued = microseconds(started - spawned) if spawned >= 0 else "null"
        said = json.dumps(OUTCOMES[outcome] if 0 <= outcome < len(OUTCOMES) else "unknown")
        args = (
            f'"cat":"task","args":{{"task":{task},"parent":{parent},"queued_us":{queued},'
            f'"size":{size},"taken_from":{taken},"cpu_ns":{cpu},"outcome":{said}}}'
        )
        return self._event(pool, worker, started, ended, self._kind(pool, kind), args)

    def _wait(self, pool: KnownPool, worker: int, row: list[int]) -> str:
        task, began, ended, on_task, helped = row
        name = '"wait"' if on_task == NONE else '"join"'
        args = f'"cat":"wait","args":{{"task":{task},"on_task":{on_task},"helped":{helped}}}'
        return self._event(pool, worker, began, ended, name, args)

    def _idle(self, pool: KnownPool, worker: int, row: list[int]) -> str:
        began, ended, state, attempts, woken_by, _ = row
        name = json.dumps(IDLE_STATES[state] if 0 <= state < len(IDLE_STATES) else "idle")
        args = f'"cat":"idle","args":{{"attempts":{attempts},"woken_by":{woken_by}}}'
        return self._event(pool, worker, began, ended, name, args)

    def _levels(self, pool: KnownPool, frame: CheckedFrame) -> list[str]:
        queued = max(0, frame["inbox"])
        deques = sum(length for length in frame["deques"] if length > 0)
        return [
            f'{{"name":"tasks queued","ph":"C","ts":{microseconds(frame["at_ns"])},'
            f'"pid":{pool.number + 1},"args":{{"inbox":{queued},"deques":{deques}}}}}'
        ]
