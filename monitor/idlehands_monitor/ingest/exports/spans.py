"""The tasks of a recording as OpenTelemetry spans: OTLP in JSON, a message a line.

Sources: "OpenTelemetry Protocol File Exporter" (a JSON lines file of TracesData messages), "OTLP
Specification", JSON Protobuf Encoding (names in lowerCamelCase, ids in hexadecimal, 64-bit integers
as decimal text, enums as integers), and opentelemetry/proto/trace/v1/trace.proto for the names.

A task that a worker ran is a span, and so is a wait in it. A task handed in from outside begins a
trace, which all tasks that it spawns belong to. Pure: frames in, text out.
"""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING, Any

from idlehands.wire import FAILED, LOST, NONE, OUTCOMES, TASKS, WAITS

from .pool_names import PoolNames
from .span_roots import TASK, Roots

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from ..schema import CheckedFrame
    from .pool_names import KnownPool, KnownProcess

SPAN_KIND_INTERNAL = 1
STATUS_CODE_ERROR = 2
LINE_SPANS = 512
WAIT_BIT = 1 << 63
"""Spans of tasks have the task's number and 1 as their id; those of waits a number from here on."""
SCOPE = "idlehands"
WAITING, ON_TASK = WAITS.names.index("task"), WAITS.names.index("on_task")


class SpanNames:
    """What spans need to know beforehand: all names, and the root of every task."""

    def __init__(self) -> None:
        self.names = PoolNames()
        self.roots = Roots()

    def take(self, frame: CheckedFrame) -> None:
        """Take one frame of the recording."""
        self.names.take(frame)
        if frame["frame"] == "rows" and frame["table"] == TASKS.name:
            self.roots.add(self.names.pool(frame).number, frame)

    @property
    def knows_time(self) -> bool:
        """Whether some process says what its monotonic clock is in the world's time."""
        return any(wall_offset_ns(process) is not None for process in self.names.processes)


def wall_offset_ns(process: KnownProcess) -> int | None:
    """Return the wall clock less the monotonic clock, in ns; None where they are not known."""
    now_ns, wall_ns = process.hello.get("now_ns", NONE), process.hello.get("wall_ns", NONE)
    return wall_ns - now_ns if now_ns >= 0 and wall_ns >= 0 else None


def spans(
    known: SpanNames, frames: Iterable[CheckedFrame], version: str, clean: Callable[[str], str]
) -> Iterator[str]:
    """Yield the lines of the file.

    frames: those of the recording from its beginning, of which `known` has taken all. clean: makes
    text of the job safe.
    """
    writer = _SpanWriter(known, version, clean)
    for frame in frames:
        yield from writer.lines(frame)


def _text(key: str, value: str) -> dict[str, Any]:
    return {"key": key, "value": {"stringValue": value}}


def _number(key: str, value: int) -> dict[str, Any]:
    return {"key": key, "value": {"intValue": str(value)}}


class _SpanWriter:
    def __init__(self, known: SpanNames, version: str, clean: Callable[[str], str]) -> None:
        self._known = known
        self._following = PoolNames()
        self._version = version
        self._clean = clean
        self._waits = 0
        offsets = (wall_offset_ns(process) for process in known.names.processes)
        self._offset_ns = next((offset for offset in offsets if offset is not None), 0)
        self._traces: dict[int, str] = {}

    def lines(self, frame: CheckedFrame) -> Iterator[str]:
        """Yield the lines of one frame."""
        self._following.take(frame)
        if frame["frame"] != "rows" or frame["table"] not in (TASKS.name, WAITS.name):
            return
        pool = self._known.names.pools[self._following.pool(frame).number]
        if pool.withdrawn:
            return
        values = frame["values"]
        workers = [part[0] for part in frame["parts"] for _ in range(part[3])]
        if frame["table"] == TASKS.name:
            roots = self._known.roots.of(pool.number, values[TASK]).tolist()
            rows = zip(workers, roots, values.T.tolist(), strict=True)
            found = [self._task(pool, *row) for row in rows if row[0] != NONE and row[2][TASK] >= 0]
        else:
            roots = self._known.roots.of(pool.number, values[WAITING]).tolist()
            joined = self._known.roots.of(pool.number, values[ON_TASK]).tolist()
            waits = zip(workers, roots, joined, values.T.tolist(), strict=True)
            found = [self._wait(pool, *wait) for wait in waits if wait[3][WAITING] >= 0]
        for first in range(0, len(found), LINE_SPANS):
            message = self._message(pool, found[first : first + LINE_SPANS])
            yield json.dumps(message, separators=(",", ":")) + "\n"

    def _message(self, pool: KnownPool, found: list[dict[str, Any]]) -> dict[str, Any]:
        """Return a TracesData message."""
        process = pool.process
        program = self._clean(process.hello.get("argv0", "")).rpartition("/")[2]
        attributes = [_text("service.name", program or "python")]
        if process.pid >= 0:
            attributes.append(_number("process.pid", process.pid))
        if python := self._clean(process.hello.get("python", "")):
            attributes.append(_text("process.runtime.version", python))
        scope = {"name": SCOPE, "version": self._version}
        scoped = [{"scope": scope, "spans": found}]
        return {"resourceSpans": [{"resource": {"attributes": attributes}, "scopeSpans": scoped}]}

    def _trace(self, pool: KnownPool, root: int) -> str:
        """Return the id of the trace of a root task; the same recording gives the same ids."""
        if pool.number not in self._traces:
            hello = pool.process.hello
            facts = (
                pool.process.pid,
                hello.get("now_ns", NONE),
                hello.get("wall_ns", NONE),
                pool.number,
                pool.names.get("declared_ns", NONE),
            )
            digest = hashlib.blake2b(repr(facts).encode(), digest_size=8)
            self._traces[pool.number] = digest.hexdigest()
        return f"{self._traces[pool.number]}{root + 1:016x}"

    def _times(self, pool: KnownPool, began_ns: int, ended_ns: int) -> dict[str, str]:
        own = wall_offset_ns(pool.process)
        offset_ns = self._offset_ns if own is None else own
        return {
            "startTimeUnixNano": str(max(0, began_ns + offset_ns)),
            "endTimeUnixNano": str(max(0, ended_ns + offset_ns)),
        }

    def _task(self, pool: KnownPool, worker: int, root: int, row: list[int]) -> dict[str, Any]:
        task, parent, kind, spawned, _, size, started, ended, taken, cpu, outcome = row
        said = OUTCOMES[outcome] if 0 <= outcome < len(OUTCOMES) else "unknown"
        measured = (
            ("idlehands.queue_time_ns", started - spawned if spawned >= 0 else NONE),
            ("idlehands.size", size),
            ("idlehands.cpu_time_ns", cpu),
        )
        span = {
            "traceId": self._trace(pool, root),
            "spanId": f"{task + 1:016x}",
            "name": self._clean(pool.kind_name(kind)) or "task",
            "kind": SPAN_KIND_INTERNAL,
            **self._times(pool, started, ended),
            "attributes": [
                *self._where(pool, worker),
                _number("idlehands.task", task),
                _number("idlehands.taken_from", taken),
                _text("idlehands.outcome", said),
                *(_number(key, value) for key, value in measured if value >= 0),
            ],
        }
        if parent >= 0:
            span["parentSpanId"] = f"{parent + 1:016x}"
        if outcome in (FAILED, LOST):
            span["status"] = {"code": STATUS_CODE_ERROR, "message": said}
        return span

    def _wait(
        self, pool: KnownPool, worker: int, root: int, joined_root: int, row: list[int]
    ) -> dict[str, Any]:
        task, began, ended, on_task, helped = row
        self._waits += 1
        span = {
            "traceId": self._trace(pool, root),
            "spanId": f"{WAIT_BIT + self._waits:016x}",
            "parentSpanId": f"{task + 1:016x}",
            "name": "wait" if on_task == NONE else "join",
            "kind": SPAN_KIND_INTERNAL,
            **self._times(pool, began, ended),
            "attributes": [*self._where(pool, worker), _number("idlehands.helped", helped)],
        }
        if on_task >= 0:
            trace = self._trace(pool, joined_root)
            span["links"] = [{"traceId": trace, "spanId": f"{on_task + 1:016x}"}]
        return span

    def _where(self, pool: KnownPool, worker: int) -> list[dict[str, Any]]:
        native_id = pool.threads[worker][0] if worker in pool.threads else NONE
        found = [
            _text("idlehands.pool", self._clean(pool.name)),
            _number("idlehands.worker", worker),
            _text("thread.name", self._clean(pool.worker_name(worker))),
        ]
        return [*found, _number("thread.id", native_id)] if native_id >= 0 else found
