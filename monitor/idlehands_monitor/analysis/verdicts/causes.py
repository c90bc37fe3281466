"""Findings as causes: what a simulated change would gain decides what is wrong. Pure.

A change that gains `LEAST_GAIN` or more names the cause that it mends. A category of worker time
whose mending gains less is no finding: a task that waits for its input does what it is for. What
cannot be simulated (a dead worker, growing memory, a quota) stays a finding by its own rule.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from ...model.findings import URGENT, Finding, GainReading
from ...model.vocabulary import FindingCode, PoolKind, WaitReason
from ...model.whatif import Unit
from .health import health

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from ...model.reading import PoolReading
    from ...model.whatif import AnswerReading, WhatIfPool

LEAST_GAIN = 0.05
"""A smaller gain is not worth a change: half of the error at which a simulation is refused."""
DECIDED = {
    FindingCode.STARVED_BESIDE_WORK,
    FindingCode.STRANDED_IN_OTHER_POOL,
    FindingCode.TOO_LITTLE_PARALLELISM,
    FindingCode.INTERPRETER_LOCK,
    FindingCode.BLOCKED_IN_TASK,
    FindingCode.MORE_WORKERS_THAN_CORES,
    FindingCode.LONG_SEARCHES,
    FindingCode.PARK_CHURN,
}
"""Findings by a category of worker time; where there is a simulation, its gains decide."""
BY_PROMISE = {FindingCode.WRONG_STEAL_END: "right_ends", FindingCode.UNEVEN_VICTIMS: "even_victims"}
"""Findings of a broken promise stay, whatever they gain."""


@dataclass(frozen=True, slots=True)
class _Cause:
    """What a change mends. share: of the worker time that the cause accounts for.

    sentence, advice: of a pool and the answer, both without the figures of the gain.
    """

    code: FindingCode
    share: Callable[[PoolReading], float]
    sentence: Callable[[PoolReading, AnswerReading], str]
    advice: Callable[[PoolReading, AnswerReading], str]


def caused(pool: PoolReading, answered: WhatIfPool) -> PoolReading:
    """Return a reading whose findings are causes with gains, the largest first."""
    if answered.refused:
        why = f"nothing was simulated: {answered.refused}"
        kept = tuple(replace(finding, no_gain=why) for finding in pool.findings)
        return replace(pool, findings=kept)
    found = [_finding(pool, answered, *pair) for pair in _best(pool, answered)]
    known = {finding.code for finding in found}
    first = [one for one in pool.findings if one.code in URGENT]
    others = [
        _promised(one, answered)
        for one in pool.findings
        if one.code not in URGENT and one.code not in DECIDED and one.code not in known
    ]
    by_gain = sorted(found, key=lambda one: -(one.gain.share if one.gain else 0.0))
    findings = (*first, *by_gain, *others)
    healthy = "" if first or by_gain or others else health(pool, answered)
    return replace(pool, findings=findings, health=healthy)


def stranded(pools: tuple[PoolReading, ...], answered: WhatIfPool) -> tuple[PoolReading, ...]:
    """Return pools of which the idlest has the finding that one pool of all would gain."""
    if answered.refused or not pools:
        return pools
    idlest = max(pools, key=_idle)
    found = tuple(_finding(idlest, answered, *pair) for pair in _best(idlest, answered))
    if not found:
        return pools
    held = [one for one in (*idlest.findings, *found) if one.code not in URGENT]
    first = [one for one in idlest.findings if one.code in URGENT]
    by_gain = sorted(held, key=lambda one: -(one.gain.share if one.gain else 0.0))
    changed = replace(idlest, findings=(*first, *by_gain), health="")
    return tuple(changed if pool is idlest else pool for pool in pools)


def _best(pool: PoolReading, answered: WhatIfPool) -> list[tuple[_Cause, AnswerReading]]:
    """Return the best answer for each cause, where it gains enough."""
    best: dict[FindingCode, tuple[_Cause, AnswerReading]] = {}
    for answer in _candidates(answered):
        if answer.gain < LEAST_GAIN or answer.gain_low <= 0:
            continue
        cause = _cause_of(pool, answer)
        if cause is None:
            continue
        held = best.get(cause.code)
        if held is None or answer.gain > held[1].gain:
            best[cause.code] = (cause, answer)
    return list(best.values())


def _candidates(answered: WhatIfPool) -> Iterable[AnswerReading]:
    """Yield the answers; of numbers of workers only the best one, where there is a curve."""
    best = answered.curve.best if answered.curve is not None else None
    for answer in answered.answers:
        number = dict(answer.change.facts).get("workers")
        if number is None or best is None or number == best:
            yield answer


def _cause_of(pool: PoolReading, answer: AnswerReading) -> _Cause | None:
    """Return the cause that a change mends, None for changes that mend none."""
    facts = dict(answer.change.facts)
    if "workers" in facts:
        more = int(facts["workers"]) > len(pool.workers)
        return CAUSES["more_workers" if more else "fewer_workers"]
    if "grain" in facts:
        return CAUSES["coarser" if float(facts["grain"]) > 1 else "finer"]
    return next((CAUSES[key] for key in facts if key in CAUSES), None)


def _finding(
    pool: PoolReading, answered: WhatIfPool, cause: _Cause, answer: AnswerReading
) -> Finding:
    share = max(0.0, min(1.0, cause.share(pool)))
    assumes = "; ".join(answer.assumes)
    return Finding(
        code=cause.code,
        worker_seconds=share * pool.time.worker_seconds,
        share=share,
        sentence=cause.sentence(pool, answer),
        advice=cause.advice(pool, answer),
        evidence=f"The simulation assumes: {assumes}" if assumes else "",
        gain=gain_of(answered, answer),
        where=_where(pool, cause.code),
        source="simulated, see docs/whatif.md",
    )


def gain_of(answered: WhatIfPool, answer: AnswerReading) -> GainReading:
    """Return what an answer gains, in the unit of the job."""
    before, more = answered.recorded, answered.unit is Unit.TASKS_PER_S
    ends = sorted(
        (value - before if more else before - value) for value in (answer.low, answer.high)
    )
    return GainReading(
        unit=answered.unit,
        before=before,
        low=ends[0],
        median=answer.median - before if more else before - answer.median,
        high=ends[1],
        share=answer.gain,
        share_low=answer.gain_low,
        share_high=answer.gain_high,
    )


def _promised(finding: Finding, answered: WhatIfPool) -> Finding:
    """Return a finding of a broken promise with its simulated gain, any other as it is."""
    key = BY_PROMISE.get(finding.code)
    for answer in answered.answers:
        if key is not None and key in dict(answer.change.facts):
            return replace(finding, gain=gain_of(answered, answer))
    return finding


# -- shares of the worker time that a cause accounts for -------------------------------------------


def _part(name: str) -> Callable[[PoolReading], float]:
    return lambda pool: getattr(pool.time, name) / max(1, pool.time.total)


def _idle(pool: PoolReading) -> float:
    return pool.time.idle / max(1, pool.time.total)


def _waited(sort: WaitReason) -> Callable[[PoolReading], float]:
    def share(pool: PoolReading) -> float:
        if pool.blocked is None:
            return 0.0
        return pool.blocked.seconds(sort) * 1e9 / max(1, pool.time.total)

    return share


def _own_waits(pool: PoolReading) -> float:
    lock = _waited(WaitReason.INTERPRETER_LOCK)(pool) + _waited(WaitReason.LOCK)(pool)
    return _part("blocked")(pool) - lock


def _parked(pool: PoolReading) -> float:
    return (pool.time.starved + pool.time.waking) / max(1, pool.time.total)


# -- sentences -------------------------------------------------------------------------------------


def percent(share: float) -> str:
    """Return a share as text."""
    return f"{100 * share:.0f} %"


def people(number: int) -> str:
    """Return a number of workers as text."""
    return "1 worker" if number == 1 else f"{number} workers"


def _workers(answer: AnswerReading) -> int:
    return int(dict(answer.change.facts)["workers"])


def _where(pool: PoolReading, code: FindingCode) -> str:
    """Return the kind of task with most of what the cause is about, "" where it is about none."""
    by = {
        FindingCode.TOO_FEW_WORKERS: "blocked_s",
        FindingCode.LOCK_WAIT: "blocked_s",
        FindingCode.INTERPRETER_LOCK: "working_s",
        FindingCode.MORE_WORKERS_THAN_CORES: "run_queue_wait_s",
        FindingCode.CORES_BUSY_ELSEWHERE: "run_queue_wait_s",
    }.get(code)
    kinds = pool.tasks.kinds
    if by is None or not kinds:
        return ""
    most = max(kinds, key=lambda kind: getattr(kind, by))
    whole = sum(getattr(kind, by) for kind in kinds)
    return most.kind if whole and getattr(most, by) >= 0.5 * whole else ""


def _setting(pool: PoolReading, number: int) -> str:
    """Return how a pool of this kind is given so many workers."""
    named = {
        PoolKind.THREAD_POOL: f" (max_workers={number})",
        PoolKind.PROCESS_POOL: f" (max_workers={number}, or processes={number})",
        PoolKind.LOKY_POOL: f" (n_jobs={number})",
    }
    return named.get(PoolKind(pool.kind), "") if pool.kind in set(PoolKind) else ""


def _too_few(pool: PoolReading, answer: AnswerReading) -> str:
    return (
        f"{people(len(pool.workers))} are too few: tasks are blocked for "
        f"{percent(_own_waits(pool))} of the worker time, while others are queued and cores are "
        "free"
    )


def _hand_over_advice(pool: PoolReading, _answer: AnswerReading) -> str:
    return (
        "Send less: pass names of files or offsets instead of the data, keep large arguments in "
        "shared memory or load them once in each worker, return less"
    )


CAUSES = {
    "more_workers": _Cause(
        FindingCode.TOO_FEW_WORKERS,
        _own_waits,
        _too_few,
        lambda pool, answer: (
            f"Give the pool {people(_workers(answer))}{_setting(pool, _workers(answer))}, if what "
            "the tasks wait for can serve so many at a time"
        ),
    ),
    "fewer_workers": _Cause(
        FindingCode.MORE_WORKERS_THAN_CORES,
        _part("run_queue_wait"),
        lambda pool, _: (
            f"{people(len(pool.workers))} are too many: they keep each other from the cores "
            f"and from the interpreter lock"
        ),
        lambda pool, answer: (
            f"Give the pool {people(_workers(answer))}{_setting(pool, _workers(answer))}"
        ),
    ),
    "interpreter_lock": _Cause(
        FindingCode.INTERPRETER_LOCK,
        _waited(WaitReason.INTERPRETER_LOCK),
        lambda pool, _: (
            "Only one thread at a time runs Python code: tasks wait for the interpreter lock for "
            f"{percent(_waited(WaitReason.INTERPRETER_LOCK)(pool))} of the worker time"
        ),
        lambda *_: (
            "Run these tasks in processes, on a free-threaded build, or in code that releases the "
            "lock (arrays, compression, hashes)"
        ),
    ),
    "locks": _Cause(
        FindingCode.LOCK_WAIT,
        _waited(WaitReason.LOCK),
        lambda pool, _: (
            "Tasks wait for a lock that another task holds, for "
            f"{percent(_waited(WaitReason.LOCK)(pool))} of the worker time"
        ),
        lambda *_: (
            "Hold the lock for less of each task (do the waiting and the computing outside it), "
            "or use one lock for each part of what it protects"
        ),
    ),
    "hand_in_at_once": _Cause(
        FindingCode.BARRIER_WAIT,
        _idle,
        lambda pool, _: (
            "Each batch waits for the slowest task of the one before: workers are idle for "
            f"{percent(_idle(pool))} of their time"
        ),
        lambda *_: (
            "Hand in the next batch before this one has ended, or hand in all tasks and take "
            "results as they come"
        ),
    ),
    "coarser": _Cause(
        FindingCode.GRAIN_TOO_FINE,
        _part("dispatch"),
        lambda pool, _: (
            "Tasks are too small: what the pool needs around each of them takes "
            f"{percent(_part('dispatch')(pool) + _parked(pool))} of the worker time"
        ),
        lambda _, answer: (
            f"Put about {dict(answer.change.facts)['grain']:g} calls into one task (a chunk size, "
            "or a higher cut-off of the recursion)"
        ),
    ),
    "finer": _Cause(
        FindingCode.GRAIN_TOO_COARSE,
        _idle,
        lambda pool, _: (
            "Tasks are too large: at the end some workers still run theirs while the others are "
            f"idle, {percent(_idle(pool))} of the worker time"
        ),
        lambda _, answer: (
            f"Split the work into {1 / float(dict(answer.change.facts)['grain']):g} times as many "
            "pieces, or hand in the longest ones first"
        ),
    ),
    "hand_over": _Cause(
        FindingCode.SLOW_HAND_OVER,
        _part("dispatch"),
        lambda *_: (
            "To hand a task over takes too long: arguments and results are copied between processes"
        ),
        _hand_over_advice,
    ),
    "park_when_empty": _Cause(
        FindingCode.STARVED_BESIDE_WORK,
        _parked,
        lambda pool, _: (
            "Workers park while tasks are queued in other deques: "
            f"{percent(_parked(pool))} of the worker time"
        ),
        lambda *_: "Let a worker park only when every deque and the inbox are empty",
    ),
    "wake_at_once": _Cause(
        FindingCode.STARVED_BESIDE_WORK,
        _parked,
        lambda pool, _: (
            f"Workers are woken late or not at all: {percent(_parked(pool))} of the worker time "
            "they were parked beside queued tasks"
        ),
        lambda *_: "Wake a parked worker at every spawn and every hand-in",
    ),
    "even_victims": _Cause(
        FindingCode.UNEVEN_VICTIMS,
        _part("searching"),
        lambda *_: "Thieves choose their victims unevenly, and miss deques that have tasks",
        lambda *_: "Choose each victim at random from all other workers",
    ),
    "right_ends": _Cause(
        FindingCode.WRONG_STEAL_END,
        _part("searching"),
        lambda *_: "Owners or thieves use the wrong end of a deque, so steals bring little work",
        lambda *_: "Let owners take their newest task, and thieves the oldest",
    ),
    "one_pool": _Cause(
        FindingCode.STRANDED_IN_OTHER_POOL,
        _idle,
        lambda *_: "Workers of one pool are idle while tasks are queued in another one",
        lambda *_: (
            "Let both kinds of work share one pool, or give the other pool more of the workers"
        ),
    ),
    "undisturbed": _Cause(
        FindingCode.CORES_BUSY_ELSEWHERE,
        _part("run_queue_wait"),
        lambda pool, _: (
            "Other processes or threads had the cores: tasks that were ready waited for one for "
            f"{percent(_part('run_queue_wait')(pool))} of the worker time"
        ),
        lambda *_: "Find what else runs on this machine (top), or give the pool cores of its own",
    ),
    "hand_in": _Cause(
        FindingCode.SLOW_SUBMITTER,
        _part("no_work"),
        lambda pool, _: (
            "The pool waits for what feeds it: nothing was queued for "
            f"{percent(_part('no_work')(pool))} of the worker time"
        ),
        lambda *_: (
            "Make each hand-in cheaper, hand in several tasks at once, or prepare the input in the "
            "tasks themselves"
        ),
    ),
    "in_flight": _Cause(
        FindingCode.TOO_LITTLE_PARALLELISM,
        _part("no_work"),
        lambda pool, _: (
            "Too few tasks are in flight: the next one is handed in only when one ends, and "
            f"workers are idle for {percent(_idle(pool))} of their time"
        ),
        lambda _, answer: (
            f"Keep {dict(answer.change.facts)['in_flight']:g} times as many tasks in flight: at "
            "least one queued beside each running one"
        ),
    ),
}
"""What each change mends, by the key of its facts."""
