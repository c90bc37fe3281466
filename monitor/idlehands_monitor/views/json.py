"""The reading as a JSON document, schema 1: keys may be added, never renamed.

RFC 8259 permits no NaN, so none is let through. Every duration is in seconds.
"""

from __future__ import annotations

import json
from dataclasses import fields, is_dataclass
from itertools import islice
from math import isfinite
from typing import TYPE_CHECKING, Any

from ..model.worker_time import CATEGORIES, WorkerTime

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ..model.deques import ContentionReading, EndsReading, SizesReading
    from ..model.external import Estimate, ExternalPoolReading, ExternalTime
    from ..model.findings import Finding
    from ..model.promises import PromiseReading
    from ..model.reading import PoolReading, Reading
    from ..model.stealing import StealingReading, StealReading
    from ..model.tasks import TaskReading

SCHEMA = 1
KEYS = {
    "attempts": "looks",
    "attempts_per_hit": "looks_per_hit",
    "attempts_at_random": "looks_at_random",
    "attempt_s": "look_s",
    "contended": "meetings",
    "declared_s": "marked_s",
    "external": "sampled",
    "reported": "told",
    "samples": "looks",
    "timestamps_ns": "moments_ns",
}
"""Keys of the document that keep an older word than the field they hold: keys are never renamed."""
OWN_KEYS = {"StackReading": {"samples": "samples"}}
"""Fields of one dataclass whose name is their key all the same."""
CHUNKS = 1 << 14


def document(reading: Reading) -> dict[str, Any]:
    """Return the document as plain lists, maps, strings and finite numbers."""
    whole = {
        "schema": SCHEMA,
        "source": fields_of(reading.source),
        "job": {
            "processes": list(reading.source.processes),
            "pools": len(reading.pools),
            "workers": sum(len(pool.workers) for pool in reading.pools),
            "worker_seconds": reading.total.total / 1e9,
            "worker_time": _time(reading.total),
        },
        "pools": [_pool(pool) for pool in reading.pools],
        "host": [fields_of(process) for process in reading.host],
        "stranded": [fields_of(pair) for pair in reading.stranded],
        "sampled": [_sampled(pool) for pool in reading.sampled],
    }
    plain: dict[str, Any] = _plain(whole)
    return plain


def fields_of(reading: Any) -> dict[str, Any]:
    """Return the fields of a dataclass by their keys in the document, dataclasses in it too."""
    own = OWN_KEYS.get(type(reading).__name__, {})
    return {
        own.get(field.name, KEYS.get(field.name, field.name)): _value(getattr(reading, field.name))
        for field in fields(reading)
    }


def _value(value: Any) -> Any:
    if is_dataclass(value):
        return fields_of(value)
    return [_value(inner) for inner in value] if isinstance(value, tuple) else value


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
        "blocked": fields_of(pool.blocked) if pool.blocked is not None else None,
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
        "stays": fields_of(pool.lifetimes) if pool.lifetimes is not None else None,
        "broken": pool.broken,
        "detail": pool.detail or "full",
        "counted_s": pool.counted_s,
        "sampled_s": pool.thinned_s,
        "sampling_error": pool.thinning_error if isfinite(pool.thinning_error) else None,
        "graph": fields_of(pool.graph) if pool.graph is not None else None,
        "promises": [_promise(promise) for promise in pool.promises],
        "findings": [_finding(finding) for finding in pool.findings],
        "lost_rows": pool.lost_rows,
        "misuses": pool.misuses,
        "closed": pool.closed,
        "queueing": _finite(fields_of(pool.queueing)) if pool.queueing is not None else None,
        "balance": fields_of(pool.balance) if pool.balance is not None else None,
        "ends": _ends(pool.ends) if pool.ends is not None else None,
        "sizes": _sizes(pool.sizes) if pool.sizes is not None else None,
        "parking": fields_of(pool.parking) if pool.parking is not None else None,
        "contention": _contention(pool.contention) if pool.contention is not None else None,
        "larger_steals": fields_of(pool.larger_steals) if pool.larger_steals is not None else None,
    }


def _ends(ends: EndsReading) -> dict[str, Any]:
    return {
        **fields_of(ends),
        "owners_newest": ends.owners_newest,
        "thieves_oldest": ends.thieves_oldest,
    }


def _contention(met: ContentionReading) -> dict[str, Any]:
    return {
        **fields_of(met),
        "near_empty_share": met.near_empty_share,
        "moments_ns": [str(moment) for moment in met.timestamps_ns],
    }


def _sizes(sizes: SizesReading) -> dict[str, Any]:
    judged = {"stolen_larger": sizes.stolen_larger, "judged_by": sizes.judged_by}
    return {**fields_of(sizes), **judged}


def _finite(values: dict[str, Any]) -> dict[str, Any]:
    """Return the same with null for what is infinite: a wait without bound."""
    return {
        name: None if isinstance(value, float) and not isfinite(value) else value
        for name, value in values.items()
    }


def _sampled(pool: ExternalPoolReading) -> dict[str, Any]:
    return {
        "name": pool.name,
        "kind": pool.kind,
        "module": pool.module,
        "pid": pool.pid,
        "workers": len(pool.workers),
        "window_s": pool.window_s,
        "time": _thinned_time(pool.time),
        "parked_stacks": [fields_of(stack) for stack in pool.parked_stacks],
        "blocked_stacks": [fields_of(stack) for stack in pool.blocked_stacks],
        "per_worker": [
            {
                "worker": worker.index,
                "name": worker.name,
                "pid": worker.pid,
                "native_id": worker.native_id,
                "state": worker.state,
                "waits_for": worker.waits_for,
                "place": fields_of(worker.place) if worker.place is not None else None,
                "time": _thinned_time(worker.time),
            }
            for worker in pool.workers
        ],
        "missing": pool.missing,
        "library": pool.library,
        "recorded": False,
        "unanswered": list(pool.unanswered),
    }


def _thinned_time(time: ExternalTime) -> dict[str, Any]:
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
    return {f"{category}_s": getattr(time, category) / 1e9 for category in CATEGORIES}


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
        "kinds": [fields_of(kind) for kind in tasks.kinds],
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
    document = fields_of(promise)
    document["moments_ns"] = [
        str(moment) for moment in promise.timestamps_ns
    ]  # RFC 8259, section 6
    return document


def _stealing(stealing: StealingReading | None) -> dict[str, Any]:
    if stealing is not None:
        return fields_of(stealing)
    lists = dict.fromkeys(("by_thief", "by_victim", "net_flow", "feeders"), ())
    single = dict.fromkeys(
        ("looks_per_hit", "with_work", "to_next_task", "choice", "looks_at_random", "timeline")
    )
    return {**lists, **single}


def _finding(finding: Finding) -> dict[str, Any]:
    return fields_of(finding)
