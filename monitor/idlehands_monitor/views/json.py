"""The reading as a JSON document, schema 1: keys may be added, never renamed.

RFC 8259 permits no NaN, so none is let through. Every duration is in seconds.
"""

from __future__ import annotations

import json
from dataclasses import asdict
from itertools import islice
from math import isfinite
from typing import TYPE_CHECKING, Any

from ..model.worker_time import ENTRIES, WorkerTime

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ..model.deques import ContentionReading, EndsReading, SizesReading
    from ..model.external import Estimate, SampledPoolReading, SampledTime
    from ..model.findings import Finding
    from ..model.promises import PromiseReading
    from ..model.reading import PoolReading, Reading
    from ..model.stealing import StealingReading, StealReading
    from ..model.tasks import TaskReading

SCHEMA = 1
CHUNKS = 1 << 14


def document(reading: Reading) -> dict[str, Any]:
    """Return the document as plain lists, maps, strings and finite numbers."""
    whole = {
        "schema": SCHEMA,
        "source": asdict(reading.source),
        "job": {
            "processes": list(reading.source.processes),
            "pools": len(reading.pools),
            "workers": sum(len(pool.workers) for pool in reading.pools),
            "worker_seconds": reading.total.total / 1e9,
            "worker_time": _time(reading.total),
        },
        "pools": [_pool(pool) for pool in reading.pools],
        "host": [asdict(process) for process in reading.host],
        "stranded": [asdict(pair) for pair in reading.stranded],
        "sampled": [_sampled(pool) for pool in reading.sampled],
    }
    plain: dict[str, Any] = _plain(whole)
    return plain


def _plain(value: Any) -> Any:
    """Return a value with lists for its tuples, at every depth."""
    if isinstance(value, dict):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(inner) for inner in value]
    return value


def pieces(reading: Reading) -> Iterator[str]:
    """Yield the document as text, one trailing newline, piece by piece.

    The matrices of a thousand workers are millions of numbers, a line each. All is ASCII (RFC 8259,
    section 7): foreign text comes back as it was, and none of it is obeyed by a terminal that the
    document is printed on.
    """
    encoder = json.JSONEncoder(indent=2, allow_nan=False)
    chunks = encoder.iterencode(document(reading))
    while piece := "".join(islice(chunks, CHUNKS)):
        yield piece
    yield "\n"


def render(reading: Reading) -> str:
    """Return the document as one text."""
    return "".join(pieces(reading))


def _pool(pool: PoolReading) -> dict[str, Any]:
    hand_overs = pool.hand_overs.matrix
    return {
        "name": pool.name,
        "kind": pool.kind,
        "pid": pool.pid,
        "workers": len(pool.workers),
        "window_s": pool.window_s,
        "unrecorded_s": pool.unrecorded_s,
        "worker_seconds": pool.time.total / 1e9,
        "worker_time": _time(pool.time),
        "core_time_from": pool.core_time,
        "slices": {
            "slice_s": pool.slice_s,
            "worker_time": [_time(t) for t in pool.history],
            "queued": [length if isfinite(length) else None for length in pool.queue_lengths],
        },
        "blocked": asdict(pool.blocked) if pool.blocked is not None else None,
        "per_worker": [
            {
                "worker": worker.index,
                "name": worker.name,
                "pid": worker.pid,
                "native_id": worker.native_id,
                "state": worker.state,
                "tasks_finished": worker.tasks_finished,
                "worker_time": _time(worker.time),
            }
            for worker in pool.workers
        ],
        "tasks": _tasks(pool.tasks),
        "steals": {**_steals(pool.steals), **_stealing(pool.stealing)},
        "hand_overs": {
            "submitters": ["outside", *range(len(pool.workers))] if hand_overs else [],
            "matrix": [list(row) for row in hand_overs],
        },
        "stays": asdict(pool.stays) if pool.stays is not None else None,
        "broken": pool.broken,
        "detail": pool.detail or "full",
        "counted_s": pool.counted_s,
        "sampled_s": pool.sampled_s,
        "sampling_error": pool.sampling_error if isfinite(pool.sampling_error) else None,
        "graph": asdict(pool.graph) if pool.graph is not None else None,
        "promises": [_promise(promise) for promise in pool.promises],
        "findings": [_finding(finding) for finding in pool.findings],
        "lost_rows": pool.lost_rows,
        "misuses": pool.misuses,
        "closed": pool.closed,
        "queueing": _finite(asdict(pool.queueing)) if pool.queueing is not None else None,
        "balance": asdict(pool.balance) if pool.balance is not None else None,
        "ends": _ends(pool.ends) if pool.ends is not None else None,
        "sizes": _sizes(pool.sizes) if pool.sizes is not None else None,
        "parking": asdict(pool.parking) if pool.parking is not None else None,
        "contention": _contention(pool.contention) if pool.contention is not None else None,
        "larger_steals": asdict(pool.larger_steals) if pool.larger_steals is not None else None,
    }


def _ends(ends: EndsReading) -> dict[str, Any]:
    return {
        **asdict(ends),
        "owners_newest": ends.owners_newest,
        "thieves_oldest": ends.thieves_oldest,
    }


def _contention(met: ContentionReading) -> dict[str, Any]:
    return {
        **asdict(met),
        "near_empty_share": met.near_empty_share,
        "moments_ns": [str(moment) for moment in met.moments_ns],
    }


def _sizes(sizes: SizesReading) -> dict[str, Any]:
    judged = {"stolen_larger": sizes.stolen_larger, "judged_by": sizes.judged_by}
    return {**asdict(sizes), **judged}


def _finite(values: dict[str, Any]) -> dict[str, Any]:
    """Return the same with null for what is infinite: a wait without bound."""
    return {
        name: None if isinstance(value, float) and not isfinite(value) else value
        for name, value in values.items()
    }


def _sampled(pool: SampledPoolReading) -> dict[str, Any]:
    return {
        "name": pool.name,
        "kind": pool.kind,
        "module": pool.module,
        "pid": pool.pid,
        "workers": len(pool.workers),
        "window_s": pool.window_s,
        "time": _sampled_time(pool.time),
        "parked_stacks": [asdict(stack) for stack in pool.parked_stacks],
        "blocked_stacks": [asdict(stack) for stack in pool.blocked_stacks],
        "per_worker": [
            {
                "worker": worker.index,
                "name": worker.name,
                "pid": worker.pid,
                "native_id": worker.native_id,
                "state": worker.state,
                "waits_for": worker.waits_for,
                "place": asdict(worker.place) if worker.place is not None else None,
                "time": _sampled_time(worker.time),
            }
            for worker in pool.workers
        ],
        "missing": pool.missing,
        "library": pool.library,
        "recorded": False,
        "unanswered": list(pool.unanswered),
    }


def _sampled_time(time: SampledTime) -> dict[str, Any]:
    return {
        "worker_seconds": time.seconds,
        "working": time.working,
        "run_queue_wait": time.run_queue_wait,
        "off_core": time.off_core,
        "parked": _estimate(time.parked),
        "blocked": _estimate(time.blocked),
        "confidence": 0.95,
        "dumps": time.dumps,
        "waits": {wait.sort: wait.share for wait in time.waits},
        "wait_samples": time.wait_samples,
    }


def _estimate(estimate: Estimate | None) -> dict[str, float] | None:
    if estimate is None:
        return None
    return {"share": estimate.value, "low": estimate.low, "high": estimate.high}


def _time(time: WorkerTime) -> dict[str, float]:
    return {f"{entry}_s": getattr(time, entry) / 1e9 for entry in ENTRIES}


def _tasks(tasks: TaskReading) -> dict[str, Any]:
    return {
        "finished": tasks.finished,
        "failed": tasks.failed,
        "cancelled": tasks.cancelled,
        "lost": tasks.lost,
        "moved": tasks.moved,
        "spawned": tasks.spawned,
        "queued": tasks.queued,
        "running": tasks.running,
        "median_queue_wait_s": tasks.median_queue_wait_s,
        "per_s": tasks.per_s,
        "calls": tasks.calls,
        "failed_share": tasks.failed_share,
        "kinds": [asdict(kind) for kind in tasks.kinds],
    }


def _steals(steals: StealReading) -> dict[str, Any]:
    return {
        "attempts": steals.attempts_total,
        "hits": steals.hits_total,
        "empties": steals.empties_total,
        "lost_races": steals.lost_races_total,
        "matrix": [list(row) for row in steals.hits],
        "attempts_matrix": [
            [sum(cells) for cells in zip(*rows, strict=True)]
            for rows in zip(steals.hits, steals.empties, steals.lost_races, strict=True)
        ],
    }


def _promise(promise: PromiseReading) -> dict[str, Any]:
    document = asdict(promise)
    document["moments_ns"] = [str(moment) for moment in promise.moments_ns]  # RFC 8259, section 6
    return document


def _stealing(stealing: StealingReading | None) -> dict[str, Any]:
    if stealing is not None:
        return asdict(stealing)
    lists = dict.fromkeys(("by_thief", "by_victim", "net_flow", "feeders"), ())
    single = dict.fromkeys(
        ("looks_per_hit", "with_work", "to_next_task", "choice", "looks_at_random", "timeline")
    )
    return {**lists, **single}


def _finding(finding: Finding) -> dict[str, Any]:
    return asdict(finding)
