"""The hook of every variant, at the same two points of the standard library's thread pool.

A task is announced where it is put into the pool's queue and recorded where the work item runs. The
variants differ only in what happens at these points: nothing, a floor that no recorder can go
under, the probe as `idlehands run` installs it, or one of the usual ways to record a task. The
hooks name the arguments that they pass on: packing and unpacking ``*args`` would cost more than the
floor itself and hide the differences.
"""

from __future__ import annotations

import contextlib
import logging
import logging.handlers
import queue
import threading
from _queue import SimpleQueue
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures.thread import _WorkItem
from time import monotonic_ns, perf_counter
from typing import Any, Callable, NamedTuple

import idlehands

FLOOR_ROWS = 1 << 13
"""As many as the probe's own ring of one worker, so that both touch as much memory."""

plain_run = _WorkItem.run
idlehands.install()
probed_run = _WorkItem.run


kept: list[ThreadPoolExecutor] = []


class Variant(NamedTuple):
    """A queue to put work items into, and how they are run."""

    queue: Any
    run: Callable[[Any], None]


class Queue(SimpleQueue):  # type: ignore[type-arg]
    """The pool's queue with room for a `put` of its own."""


@contextlib.contextmanager
def patched(variant: Variant) -> Iterator[None]:
    """Put a variant's `run` in place for the block."""
    _WorkItem.run = variant.run
    try:
        yield
    finally:
        _WorkItem.run = probed_run


def run_items(variant: Variant, count: int, work: Callable[[], object]) -> None:
    """Do what a pool does with a task, in one thread: make it, queue it, take it, run it."""
    item, future, items = _WorkItem, Future, variant.queue
    for _ in range(count):
        items.put(item(future(), work, (), {}))
        items.get().run()


class _Local(threading.local):
    rows: deque[tuple[int, int]]


def plain() -> Variant:
    """Return the pool as it is."""
    return Variant(Queue(), plain_run)


def floor() -> Variant:
    """Return the floor: the probe's look-up, one clock read at each point and one append."""
    local, now, items = _Local(), monotonic_ns, Queue()
    rows: deque[tuple[int, int]] = deque(maxlen=FLOOR_ROWS)
    local.rows = rows
    put_plain = items.put

    def put(item: Any, block: bool = True, timeout: float | None = None) -> None:
        item.token = now()
        put_plain(item)

    def run(item: Any) -> None:
        rows = local.rows
        plain_run(item)
        rows.append((item.token, now()))

    items.put = put  # type: ignore[method-assign]
    return Variant(items, run)


def probe() -> Variant:
    """Return the probe, with this thread as a worker of the pool."""
    from idlehands._shared_worker import workers

    executor = ThreadPoolExecutor(1)
    items: Any = executor._work_queue
    run_plainly = _WorkItem(Future(), int, (), {})
    items.put(run_plainly)  # with its first task the pool is declared
    items.get()
    workers.clear()
    items.reporter.pool.joined_worker()
    kept.append(executor)  # or it would be collected, and the pool closed
    return Variant(items, probed_run)


def span() -> Variant:
    """Return a span of the OpenTelemetry SDK around each task, exported to nowhere in batches."""
    from opentelemetry.sdk.trace import TracerProvider
    from opentelemetry.sdk.trace.export import BatchSpanProcessor, SpanExporter, SpanExportResult

    class NullExporter(SpanExporter):
        def export(self, spans: Any) -> SpanExportResult:
            return SpanExportResult.SUCCESS

    provider = TracerProvider()
    provider.add_span_processor(BatchSpanProcessor(NullExporter()))
    start_span = provider.get_tracer("benchmark").start_span

    def run(item: Any) -> None:
        one = start_span("task")
        plain_run(item)
        one.end()

    return Variant(Queue(), run)


def histogram() -> Variant:
    """Return a prometheus_client histogram of run times, with its usual buckets."""
    from prometheus_client import CollectorRegistry, Histogram

    observe = Histogram("task_seconds", "run time", registry=CollectorRegistry()).observe

    def run(item: Any) -> None:
        began = perf_counter()
        plain_run(item)
        observe(perf_counter() - began)

    return Variant(Queue(), run)


def log() -> Variant:
    """Return a log record for each task through a QueueHandler, whose listener drops it."""
    logger = logging.getLogger("benchmark")
    logger.propagate = False
    logger.setLevel(logging.INFO)
    records: queue.SimpleQueue[Any] = queue.SimpleQueue()
    logger.addHandler(logging.handlers.QueueHandler(records))
    logging.handlers.QueueListener(records, logging.NullHandler()).start()

    def run(item: Any) -> None:
        began = perf_counter()
        plain_run(item)
        logger.info("task took %f s", perf_counter() - began)

    return Variant(Queue(), run)
