"""The hook of every variant, at the same two points of the standard library's thread pool.

A task is announced where its work item is made and recorded where the item runs. What is
compared is only what happens at these points: nothing, a floor that no recorder can go under,
the probe, or a span of the OpenTelemetry SDK. The two functions name the arguments that they pass
on (those of Python 3.9 to 3.13): packing and unpacking ``*args`` would cost more than the floor
itself and hide what is compared.
"""

from __future__ import annotations

import contextlib
import threading
from collections import deque
from collections.abc import Iterator
from concurrent.futures.thread import _WorkItem
from time import monotonic_ns
from typing import Any, Callable

import idlehands

FLOOR_ROWS = 1 << 15
"""As many as the probe's own ring of tasks, so that both touch as much memory."""

Hook = tuple[Callable[..., None], Callable[..., None]]

plain_init, plain_run = _WorkItem.__init__, _WorkItem.run


@contextlib.contextmanager
def patched(hook: Hook | None) -> Iterator[None]:
    """Put a hook's two functions in place for the block; None leaves the pool as it is."""
    if hook is None:
        yield
        return
    _WorkItem.__init__, _WorkItem.run = hook
    try:
        yield
    finally:
        _WorkItem.__init__, _WorkItem.run = plain_init, plain_run


class _Local(threading.local):
    worker: Any


def floor_hook() -> Hook:
    """Return the floor: the probe's look-up, one clock read at each point and one append."""
    local, now = _Local(), monotonic_ns
    rows: deque[tuple[int, int]] = deque(maxlen=FLOOR_ROWS)

    def bind() -> deque[tuple[int, int]]:
        local.worker = rows
        return rows

    def init(item: Any, future: Any, fn: Any, args: Any, kwargs: Any) -> None:
        plain_init(item, future, fn, args, kwargs)
        item.token = now()

    def run(item: Any) -> None:
        try:
            worker = local.worker
        except AttributeError:
            worker = bind()
        plain_run(item)
        worker.append((item.token, now()))

    return init, run


def probe_hook(probe: idlehands.PoolProbe) -> Hook:
    """Return the probe's hook; each thread that runs tasks becomes the next worker of `probe`."""
    local, spawned, inbox = _Local(), probe.spawned, idlehands.INBOX
    numbers = iter(range(probe.workers))

    def bind() -> idlehands.WorkerProbe:
        worker = probe.worker(next(numbers))
        worker.bind()
        local.worker = worker
        return worker

    def init(item: Any, future: Any, fn: Any, args: Any, kwargs: Any) -> None:
        plain_init(item, future, fn, args, kwargs)
        item.token = spawned("task")

    def run(item: Any) -> None:
        try:
            worker = local.worker
        except AttributeError:
            worker = bind()
        worker.running(item.token, inbox)
        plain_run(item)  # keeps what the task raises in its future, so nothing to undo
        worker.finished()

    return init, run


def span_hook() -> Hook:
    """Return the measuring stick: a span around each task, exported to nowhere in batches."""
    from opentelemetry.sdk.trace import TracerProvider
    from opentelemetry.sdk.trace.export import BatchSpanProcessor, SpanExporter, SpanExportResult

    class NullExporter(SpanExporter):
        def export(self, spans: Any) -> SpanExportResult:
            return SpanExportResult.SUCCESS

    provider = TracerProvider()
    provider.add_span_processor(BatchSpanProcessor(NullExporter()))
    start_span = provider.get_tracer("benchmark").start_span

    def init(item: Any, future: Any, fn: Any, args: Any, kwargs: Any) -> None:
        plain_init(item, future, fn, args, kwargs)

    def run(item: Any) -> None:
        span = start_span("task")
        plain_run(item)
        span.end()

    return init, run
