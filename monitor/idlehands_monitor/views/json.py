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
from . import times
from .headline_json import headline, job_headline

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ..model.deques import ContentionReading, EndsReading, SizesReading
    from ..model.external import ExternalPoolReading, ExternalTime, ExternalWorkerReading
    from ..model.findings import Finding
    from ..model.promises import PromiseReading
    from ..model.reading import PoolReading, Reading
    from ..model.shares import Estimate
    from ..model.source import SourceReading
    from ..model.stealing import StealingReading, StealReading
    from ..model.workers import WorkerReading

SCHEMA = 1
KEYS = {
    "attempts": "looks",
    "attempts_per_hit": "looks_per_hit",
    "attempts_at_random": "looks_at_random",
    "attempt_s": "look_s",
    "contended": "meetings",
    "declared_s": "marked_s",
    "external": "sampled",
    "is_external": "sampled",
    "reported": "told",
    "samples": "looks",
    "timestamps_ns": "moments_ns",
}
"""Keys of the document that keep an older word than the field they hold: keys are never renamed."""
OWN_KEYS = {"StackReading": {"samples": "samples"}}
"""Fields whose key is their own name in this one dataclass, whatever `KEYS` says."""
CHUNKS = 1 << 14


def document(reading: Reading) -> dict[str, Any]:
    """Return the document as plain lists, maps, strings and finite numbers."""
    pools = [_pool(pool) for pool in reading.pools]
    external = [_external(pool) for pool in reading.external]
    content = {
        "schema": SCHEMA,
        "source": source_of(reading.source),
        **times.document(reading),
        "job": {
            "processes": reading.source.processes,
            "pools": len(reading.pools),
            "workers": sum(len(pool.workers) for pool in reading.pools),
            "worker_seconds": reading.total.worker_seconds,
            "worker_time": _time(reading.total),
            "headline": job_headline(reading, [*pools, *external]),
        },
        "pools": [{**pool, "headline": headline(pool)} for pool in pools],
        "host": _value(reading.host),
        "stranded": _value(reading.stranded),
        "sampled": [{**pool, "headline": headline(pool)} for pool in external],
    }
    plain: dict[str, Any] = _plain(content)
    return plain


def fields_of(reading: Any) -> dict[str, Any]:
    """Return the fields of a dataclass by their keys in the document, dataclasses in it too."""
    own = OWN_KEYS.get(type(reading).__name__, {})
    return {
        own.get(field.name, KEYS.get(field.name, field.name)): _value(getattr(reading, field.name))
        for field in fields(reading)
    }


def source_of(source: SourceReading) -> dict[str, Any]:
    """Return a source, its clock as times that a person can read."""
    return {**fields_of(source), "clock": times.clock_document(source.clock)}


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
    section 7): a parser gets foreign text back unchanged, and a terminal on which the document is
    printed obeys none of it.
    """
    encoder = json.JSONEncoder(indent=2, allow_nan=False)
    chunks = encoder.iterencode(document(reading))
    while piece := "".join(islice(chunks, CHUNKS)):
        yield piece
    yield "\n"


def render(reading: Reading) -> str:
    """Return the document as one text."""
    return "".join(pieces(reading))


def _any_pool(pool: PoolReading | ExternalPoolReading) -> dict[str, Any]:
    """Return what recorded and external pools both have."""
    return {
        "name": pool.name,
        "kind": pool.kind,
        "pid": pool.pid,
        "workers": len(pool.workers),
        "window_s": pool.window_s,
    }


def _any_worker(worker: WorkerReading | ExternalWorkerReading) -> dict[str, Any]:
    """Return what recorded and external workers both have."""
    return {
        "worker": worker.index,
        "name": worker.name,
        "pid": worker.pid,
        "native_id": worker.native_id,
        "state": worker.state,
    }


def _finding(finding: Finding) -> dict[str, Any]:
    """Return a finding; `change` is its advice under the name that stays."""
    return {**fields_of(finding), "change": finding.advice}


def _pool(pool: PoolReading) -> dict[str, Any]:
    hand_overs = pool.hand_overs.matrix
    return {
        **_any_pool(pool),
        "most_workers": pool.most_workers if pool.most_workers >= 0 else None,
        "unrecorded_s": pool.unrecorded_s,
        "worker_seconds": pool.time.worker_seconds,
        "worker_time": _time(pool.time),
        "core_time_from": pool.core_time,
        "slices": {
            "slice_s": pool.slice_s,
            "worker_time": [_time(t) for t in pool.history],
            "queued": [length if isfinite(length) else None for length in pool.queue_lengths],
        },
        "blocked": _value(pool.blocked),
        "per_worker": [
            {
                **_any_worker(worker),
                "tasks_finished": worker.tasks_finished,
                "worker_time": _time(worker.time),
            }
            for worker in pool.workers
        ],
        "tasks": {**fields_of(pool.tasks), "failed_share": pool.tasks.failed_share},
        "steals": {**_steals(pool.steals), **_stealing(pool.stealing)},
        "hand_overs": {
            "submitters": ["outside", *range(len(pool.workers))] if hand_overs else [],
            "matrix": hand_overs,
        },
        "stays": _value(pool.lifetimes),
        "broken": pool.broken,
        "detail": pool.detail or "full",
        "counted_s": pool.counted_s,
        "sampled_s": pool.thinned_s,
        "sampling_error": pool.thinning_error if isfinite(pool.thinning_error) else None,
        "graph": _value(pool.graph),
        "promises": [_promise(promise) for promise in pool.promises],
        "findings": [_finding(finding) for finding in pool.findings],
        "health": pool.health,
        "lost_rows": pool.lost_rows,
        "misuses": pool.misuses,
        "closed": pool.closed,
        "slowest": _value(pool.slowest),
        "memory_lasts_s": pool.memory_lasts_s,
        **_scheduling(pool),
    }


def _scheduling(pool: PoolReading) -> dict[str, Any]:
    """Return how tasks flowed, how deques were used, and how workers parked."""
    return {
        "queueing": _finite(fields_of(pool.queueing)) if pool.queueing is not None else None,
        "balance": _value(pool.balance),
        "ends": _ends(pool.ends) if pool.ends is not None else None,
        "sizes": _sizes(pool.sizes) if pool.sizes is not None else None,
        "parking": _value(pool.parking),
        "contention": _contention(pool.contention) if pool.contention is not None else None,
        "larger_steals": _value(pool.larger_steals),
    }


def _ends(ends: EndsReading) -> dict[str, Any]:
    return {
        **fields_of(ends),
        "owners_newest": ends.owners_newest,
        "thieves_oldest": ends.thieves_oldest,
    }


def _contention(held: ContentionReading) -> dict[str, Any]:
    return {
        **fields_of(held),
        "near_empty_share": held.near_empty_share,
        "moments_ns": [str(timestamp) for timestamp in held.timestamps_ns],
    }


def _sizes(sizes: SizesReading) -> dict[str, Any]:
    judged = {"stolen_larger": sizes.stolen_larger, "judged_by": sizes.judged_by}
    return {**fields_of(sizes), **judged}


def _finite(values: dict[str, Any]) -> dict[str, Any]:
    """Return the value with null for an infinite number: a wait without bound."""
    return {
        name: None if isinstance(value, float) and not isfinite(value) else value
        for name, value in values.items()
    }


def _external(pool: ExternalPoolReading) -> dict[str, Any]:
    return {
        **_any_pool(pool),
        "module": pool.module,
        "time": _external_time(pool.time),
        "parked_stacks": _value(pool.parked_stacks),
        "blocked_stacks": _value(pool.blocked_stacks),
        "per_worker": [
            {
                **_any_worker(worker),
                "waits_for": worker.waits_for,
                "place": _value(worker.place),
                "same_for_s": worker.same_for_s,
                "time": _external_time(worker.time),
            }
            for worker in pool.workers
        ],
        "missing": pool.missing,
        "library": pool.library,
        "findings": [_finding(finding) for finding in pool.findings],
        "recorded": False,
        "unanswered": pool.unanswered,
    }


def _external_time(time: ExternalTime) -> dict[str, Any]:
    return {
        "worker_seconds": time.worker_seconds,
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


def _steals(steals: StealReading) -> dict[str, Any]:
    return {
        "attempts": steals.attempts_total,
        "hits": steals.hits_total,
        "empties": steals.empties_total,
        "lost_races": steals.lost_races_total,
        "matrix": steals.hits,
        "attempts_matrix": [
            [sum(cells) for cells in zip(*rows, strict=True)]
            for rows in zip(steals.hits, steals.empties, steals.lost_races, strict=True)
        ],
    }


def _promise(promise: PromiseReading) -> dict[str, Any]:
    document = fields_of(promise)
    # RFC 8259, section 6: not every reader keeps the last digits of so large a number.
    document["moments_ns"] = [str(timestamp) for timestamp in promise.timestamps_ns]
    return document


def _stealing(stealing: StealingReading | None) -> dict[str, Any]:
    if stealing is not None:
        return fields_of(stealing)
    lists = dict.fromkeys(("by_thief", "by_victim", "net_flow", "feeders"), ())
    single = dict.fromkeys(
        ("looks_per_hit", "with_work", "to_next_task", "choice", "looks_at_random", "timeline")
    )
    return {**lists, **single}
