"""The places of one finding, from dumps of stacks. Pure.

Stacks are taken only while workers wait in tasks, or for what feeds them
(`ingest.sources.stack_sampler`), so the shares are of threads that wait, and not of the worker
time. Of a pool that waits for what feeds it, the places are those of threads that are no workers
and run meanwhile.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from ...model.places import PlacesReading
from ...model.vocabulary import RUNNING, FindingCode, WaitReason
from .counting import shares
from .frames import place_of
from .holders import holder, owner
from .in_tasks import InTask

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from ...ledger import Dump, ThreadSample
    from ...model.findings import Finding
    from ...model.reading import PoolReading
    from .in_tasks import Seen

LEAST_DUMPS = 5
"""Dumps with a thread that waits, to name a place."""

ALL = frozenset(WaitReason)
LOCKS = frozenset({WaitReason.LOCK, WaitReason.INTERPRETER_LOCK})
WAITS: Mapping[FindingCode, Collection[str]] = {
    FindingCode.INTERPRETER_LOCK: frozenset({WaitReason.INTERPRETER_LOCK}),
    FindingCode.LOCK_WAIT: frozenset({WaitReason.LOCK}),
    FindingCode.BLOCKED_IN_TASK: ALL - {WaitReason.INTERPRETER_LOCK},
    FindingCode.TOO_FEW_WORKERS: ALL - LOCKS,
    FindingCode.NESTED_WAIT: frozenset({WaitReason.LOCK}),  # so looks a wait for a future
    FindingCode.STUCK_WORKER: ALL,
    FindingCode.SLOW_SUBMITTER: frozenset({RUNNING}),
}
"""What the threads of a finding wait for; findings that are not here have no places."""
FURTHER_ON = "not just one thread was further on in the function that takes it"
NOBODY = "no thread held it in any of the dumps"


class _Waiting(NamedTuple):
    """A dump with workers that wait for what a finding is about, or threads that it is about; seen:
    all of its workers."""

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
        whom = "a thread that runs beside" if _is_fed(finding) else "workers that wait"
        few = f"only {len(waiting)} of the {LEAST_DUMPS} dumps that it takes found {whom}"
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


def tells(finding: Finding, seen: Seen) -> bool:
    """Return whether a dump has threads that a finding can be about."""
    return bool(seen.beside if _is_fed(finding) else seen.workers)


def _is_fed(finding: Finding) -> bool:
    """Return whether a finding is about threads that are no workers."""
    return finding.code is FindingCode.SLOW_SUBMITTER


def _waiting(finding: Finding, pool: PoolReading, seen: Seen) -> _Waiting:
    waits = WAITS[finding.code]
    if _is_fed(finding):
        running = (thread for thread in seen.beside if thread.wait in waits)
        beside = tuple(
            InTask(-1, _named(thread, seen.dump), thread, lasted=True) for thread in running
        )
        return _Waiting(seen.dump, beside, seen)
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
    return _named(thread, one.dump)


def _named(thread: ThreadSample, dump: Dump) -> str:
    if thread.native_id == dump.pid:
        return "the main thread"
    return f"thread {thread.name}" if thread.name else "another thread"
