"""The places of one finding, from the dumps in which workers were in tasks. Pure.

Stacks are taken only while workers wait in tasks (`ingest.sources.stack_sampler`), so the shares
are of threads that wait, and not of the worker time.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from ...model.places import PlacesReading
from ...model.vocabulary import FindingCode, WaitReason
from .counting import shares
from .frames import place_of
from .holders import holder, owner

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ...ledger import Dump, ThreadSample
    from ...model.findings import Finding
    from ...model.reading import PoolReading
    from .in_tasks import InTask, Seen

LEAST_DUMPS = 5
"""Dumps with a thread that waits, to name a place."""

ALL = frozenset(WaitReason)
LOCKS = frozenset({WaitReason.LOCK, WaitReason.INTERPRETER_LOCK})
WAITS: dict[FindingCode, frozenset[WaitReason]] = {
    FindingCode.INTERPRETER_LOCK: frozenset({WaitReason.INTERPRETER_LOCK}),
    FindingCode.LOCK_WAIT: frozenset({WaitReason.LOCK}),
    FindingCode.BLOCKED_IN_TASK: ALL - {WaitReason.INTERPRETER_LOCK},
    FindingCode.TOO_FEW_WORKERS: ALL - LOCKS,
    FindingCode.NESTED_WAIT: frozenset({WaitReason.LOCK}),  # so looks a wait for a future
    FindingCode.STUCK_WORKER: ALL,
}
"""What the threads of a finding wait for; findings that are not here have no places."""
FURTHER_ON = "not just one thread was further on in the function that takes it"
NOBODY = "no thread held it in any of the dumps"


class _Waiting(NamedTuple):
    """A dump with workers that wait for what a finding is about; seen: all of its workers."""

    dump: Dump
    workers: tuple[InTask, ...]
    seen: Seen


def places_of(
    finding: Finding, pool: PoolReading, seen: Sequence[Seen], spacing_s: float, missing: str
) -> PlacesReading:
    """Return the places of a finding, or why there are none.

    seen: the dumps of the pool. spacing_s: the mean time between two dumps. missing: why stacks
    could not be read, "" where they could.
    """
    found = [_waiting(finding, pool, one) for one in seen]
    waiting = [one for one in found if one.workers]
    if len(waiting) < LEAST_DUMPS:
        few = (
            f"only {len(waiting)} of the {LEAST_DUMPS} dumps that it takes found workers that wait"
        )
        return PlacesReading(missing=missing or few)
    samples = [(worker.kind, worker.thread) for one in waiting for worker in one.workers]
    holding, unknown = _holding(finding.code, waiting)
    # The interpreter takes its lock back at any line.
    by_line = finding.code is not FindingCode.INTERPRETER_LOCK
    return PlacesReading(
        dumps=len(waiting),
        samples=len(samples),
        spacing_s=spacing_s,
        waiting=shares(samples, len(samples), len(waiting), by_line=by_line),
        holding=shares(holding, len(waiting), len(waiting), by_line=False),
        unknown_holder=unknown,
    )


def _waiting(finding: Finding, pool: PoolReading, seen: Seen) -> _Waiting:
    waits = WAITS[finding.code]
    workers = tuple(one for one in seen.workers if one.lasted and one.thread.wait in waits)
    if finding.code is FindingCode.STUCK_WORKER:
        workers = tuple(one for one in workers if one.worker == _stuck(finding, pool, seen.dump))
    return _Waiting(seen.dump, workers, seen)


def _stuck(finding: Finding, pool: PoolReading, dump: Dump) -> int:
    """Return the worker that hangs longest, -1 for a dump from before it hung."""
    same = [worker for worker in pool.workers if worker.doing == finding.where]
    longest = max(same, key=lambda worker: worker.for_s, default=None)
    if longest is None or dump.at_ns < pool.end_ns - longest.for_s * 1e9:
        return -1
    return longest.index


def _holding(
    code: FindingCode, waiting: Sequence[_Waiting]
) -> tuple[list[tuple[str, ThreadSample]], str]:
    """Return who held the lock in the dumps where that is known, and why it is known in none."""
    if code is FindingCode.INTERPRETER_LOCK:
        threads, why = [owner(one.dump) for one in waiting], NOBODY
    elif code is FindingCode.LOCK_WAIT:
        threads, why = [_holder(one) for one in waiting], FURTHER_ON
    else:
        return [], ""
    found = [
        (_who(one, thread), thread)
        for one, thread in zip(waiting, threads, strict=True)
        if thread is not None
    ]
    return found, "" if found else why


def _holder(one: _Waiting) -> ThreadSample | None:
    """Return who holds the lock that most workers in a dump wait for, where that is known."""
    by_place: dict[object, list[ThreadSample]] = {}
    for worker in one.workers:
        by_place.setdefault(place_of(worker.thread.stack)[0], []).append(worker.thread)
    return holder(max(by_place.values(), key=len), one.dump)


def _who(one: _Waiting, thread: ThreadSample) -> str:
    """Return whose thread it is: a worker's, the main thread, or another one."""
    for worker in one.seen.workers:
        if worker.thread is thread:
            return f"a worker in {worker.kind}"
    if any(other is thread for other in one.seen.outside):
        return "a worker between tasks"
    if thread.native_id == one.dump.pid:
        return "the main thread"
    return f"thread {thread.name}" if thread.name else "another thread"
