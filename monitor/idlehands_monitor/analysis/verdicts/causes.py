"""Findings as causes: what a simulated change would gain decides what is wrong. Pure.

A change that gains `LEAST_GAIN` or more names the cause that it mends. A category of worker time
whose mending gains less is no finding: a task that waits for its input does what it is for. What
cannot be simulated (a dead worker, growing memory, a quota) stays a finding by its own rule.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from ...model.findings import LEAST_SHARE, URGENT, Finding, GainReading
from ...model.vocabulary import FindingCode
from ...model.whatif import LEAST_GAIN, Arrivals, Unit
from .attributing import attributed
from .cause_list import CAUSES, Cause, idle, in_tasks, part_of, percent, where_of
from .health import health
from .never_steals import never_steals
from .running_out import backlog_runs_out

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from ...model.reading import PoolReading
    from ...model.whatif import AnswerReading, WhatIfPool

HIDDEN = {
    FindingCode.STARVED_BESIDE_WORK,
    FindingCode.NEVER_STEALS,
    FindingCode.WRONG_STEAL_END,
    FindingCode.UNEVEN_VICTIMS,
    FindingCode.GROWING_BACKLOG,
}
"""Broken promises of a scheduler, and a queue that never ends: more workers hide them for a while,
and the simulation would advise more workers."""
PREFERENCE = {FindingCode.TOO_FEW_WORKERS: 0.5}
"""What a gain counts for in the order: more workers also run through what a lock or a slow
hand-over makes tasks wait for, and then the lock or the hand-over is the cause. Chosen."""
FIXED = 0.8
"""Larger pieces that save so large a part of what faster hand-overs do show that a hand-over takes
its time for each task and not for its data. Chosen."""
LEAST_TINY, TINY_S, MOST_OF_ALL = 1_000, 1e-3, 0.8
"""So many tasks of a kind, of at most so many seconds each and so large a part of all tasks, can be
too small without a simulation that says so: chosen."""
MOST_SINGLE = 3
"""So few tasks of a kind are no pieces that work was divided into: chosen."""
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
OF_IDLE_TIME = {
    FindingCode.STARVED_BESIDE_WORK,
    FindingCode.NEVER_STEALS,
    FindingCode.STRANDED_IN_OTHER_POOL,
    FindingCode.TOO_LITTLE_PARALLELISM,
    FindingCode.BARRIER_WAIT,
    FindingCode.SLOW_SUBMITTER,
    FindingCode.GRAIN_TOO_COARSE,
    FindingCode.UNEVEN_VICTIMS,
    FindingCode.WRONG_STEAL_END,
}
"""Causes whose mending leaves the tasks as they are: it gains idle time and nothing else."""
SURE_GAIN = LEAST_GAIN / 2
"""What a change surely gains, at the low end of its interval: chosen."""
IN_PROPORTION = 0.5
"""A cause may account for half of the time that its mending saves: figures have errors. Chosen."""
BY_PROMISE = {FindingCode.WRONG_STEAL_END: "right_ends", FindingCode.UNEVEN_VICTIMS: "even_victims"}
"""Findings of a broken promise stay, whatever they gain."""


def caused(pool: PoolReading, answered: WhatIfPool) -> PoolReading:
    """Return a reading whose findings are causes with gains, the largest first."""
    if answered.refused:
        return replace(pool, findings=_not_simulated(pool, answered.refused))
    found = [_finding(pool, answered, *pair) for pair in _best(pool, answered)]
    found += [*_backlog(pool, answered), *_serial(pool, answered)]
    found = _without_the_same(pool, found)
    known = {finding.code for finding in found}
    first = [one for one in pool.findings if one.code in URGENT]
    others = [
        _promised(one, answered)
        for one in pool.findings
        if one.code not in URGENT and one.code not in DECIDED and one.code not in known
    ]
    by_gain = sorted(found, key=_rank)
    findings = attributed(pool, (*first, *by_gain, *others))
    healthy = "" if findings else health(pool, answered, _perhaps(pool, answered))
    return replace(pool, findings=findings, health=healthy)


def _not_simulated(pool: PoolReading, refused: str) -> tuple[Finding, ...]:
    """Return the findings of a pool without a simulation: by rules of their own, then by shares."""
    found = [*_tiny(pool), *pool.findings]
    found.sort(key=lambda one: (one.code not in URGENT, one.code in DECIDED))
    why = f"nothing was simulated: {refused}"
    named = attributed(pool, tuple(replace(one, no_gain=one.no_gain or why) for one in found))
    return tuple(one for one in named if one.worker_seconds > 0 or one.code not in DECIDED)


def _tiny(pool: PoolReading) -> Iterator[Finding]:
    """Tasks are so small that the pool takes longer to hand them over than they take."""
    time = pool.time
    around_s = (time.dispatch + time.waking + time.starved) / 1e9
    kind = max(pool.tasks.kinds, key=lambda one: one.finished, default=None)
    if (
        kind is None
        or kind.finished < max(LEAST_TINY, MOST_OF_ALL * pool.tasks.finished)
        or kind.total_s > TINY_S * kind.finished
        or around_s < kind.total_s
        or around_s < LEAST_SHARE * time.worker_seconds
    ):
        return
    share = around_s / time.worker_seconds
    together = math.ceil(2 * around_s / max(1e-9, kind.total_s))
    yield Finding(
        FindingCode.GRAIN_TOO_FINE,
        around_s,
        share,
        f"Tasks are too small: they take {1e6 * kind.total_s / kind.finished:.3g} µs each, and "
        f"what the pool needs around them takes {percent(share)} of the worker time",
        f"Put about {together} calls into one task (a chunk or batch size)",
        where=kind.kind,
        source="common practice, no source",
    )


def _rank(finding: Finding) -> tuple[bool, float]:
    """Return what findings with a gain are ordered by: faults that more workers would only hide
    come first, then the largest gain, that of more workers counting for less."""
    gain = finding.gain.share if finding.gain else 0.0
    return finding.code not in HIDDEN, -gain * PREFERENCE.get(finding.code, 1.0)


def _without_the_same(pool: PoolReading, found: list[Finding]) -> list[Finding]:
    """Leave out one of two findings on the same thing: pieces too large, or one that runs alone.

    The only tasks of their kind are no pieces of a division: that they run alone is the cause.
    Where tasks are handed in one after the other, to divide each of them only helps as more tasks
    in flight do. What larger pieces save of a hand-over is not for the data that it copies.
    """
    codes = {finding.code for finding in found}
    if FindingCode.TOO_LITTLE_PARALLELISM in codes:
        return [one for one in found if one.code is not FindingCode.GRAIN_TOO_COARSE]
    if codes >= {FindingCode.GRAIN_TOO_FINE, FindingCode.SLOW_HAND_OVER}:
        share = {one.code: one.gain.share if one.gain else 0.0 for one in found}
        fixed = share[FindingCode.GRAIN_TOO_FINE] >= FIXED * share[FindingCode.SLOW_HAND_OVER]
        other = FindingCode.SLOW_HAND_OVER if fixed else FindingCode.GRAIN_TOO_FINE
        found = [one for one in found if one.code is not other]
    if not codes >= {FindingCode.SERIAL_STRETCH, FindingCode.GRAIN_TOO_COARSE}:
        return found
    alone = next(one for one in found if one.code is FindingCode.SERIAL_STRETCH)
    tasks = sum(kind.finished for kind in pool.tasks.kinds if kind.kind == alone.where)
    single = tasks <= MOST_SINGLE
    left_out = FindingCode.GRAIN_TOO_COARSE if single else FindingCode.SERIAL_STRETCH
    return [finding for finding in found if finding.code is not left_out]


def _perhaps(pool: PoolReading, answered: WhatIfPool) -> AnswerReading | None:
    """Return the change that may gain most, but may also gain nothing; None without one."""
    unsure = [
        answer
        for answer in _candidates(answered)
        if answer.gain >= LEAST_GAIN
        and (cause := _cause_of(pool, answer)) is not None
        and _can_gain(pool, answered, cause, answer)
    ]
    return max(unsure, key=lambda answer: answer.gain, default=None)


def _backlog(pool: PoolReading, answered: WhatIfPool) -> Iterator[Finding]:
    """The queue of an open pool grows: it will never catch up, whatever the percentile is now."""
    sizing = answered.sizing
    if sizing is None or sizing.growth_per_s <= 0:
        return
    more = [one for one in answered.answers if "workers" in dict(one.change.facts)]
    best = max(more, key=lambda one: one.gain, default=None)
    needed = "" if sizing.least_workers is None else f" (at least {sizing.least_workers})"
    yield Finding(
        FindingCode.GROWING_BACKLOG,
        pool.time.worker_seconds * in_tasks(pool),
        in_tasks(pool),
        f"Tasks come faster than they are run: the queue grows by {sizing.growth_per_s:.3g} tasks "
        f"each second{backlog_runs_out(pool, sizing.growth_per_s)}",
        f"Use more workers{needed}, make tasks shorter, or hand in no more than can be run",
        gain=gain_of(answered, best) if best is not None and best.gain >= LEAST_GAIN else None,
        no_gain="" if best is not None and best.gain >= LEAST_GAIN else "more workers do not help",
        source="simulated, see docs/whatif.md",
    )


def _serial(pool: PoolReading, answered: WhatIfPool) -> Iterator[Finding]:
    """One task runs alone for a part of the run, while workers are idle.

    Its gain is a bound, not simulated: half of these stretches saved, and none or all of them.
    """
    serial = pool.graph.critical.serial if pool.graph and pool.graph.critical else None
    if serial is None or answered.arrivals is not Arrivals.BATCH or answered.recorded <= 0:
        return
    if serial.longest_s < LEAST_GAIN * answered.recorded:
        return
    share = serial.total_s / answered.recorded
    yield Finding(
        FindingCode.SERIAL_STRETCH,
        pool.time.no_work / 1e9,
        part_of("no_work")(pool),
        f"Only one task can run for {percent(min(1.0, share))} of the run, the longest such "
        f"stretch takes {serial.longest_s:.2g} s: the others wait for it",
        "Split this task, or begin it earlier",
        where=serial.kind,
        evidence="The gain is that of half of these stretches, between none and all of them",
        gain=GainReading(
            answered.unit,
            answered.recorded,
            *(0.0, serial.total_s / 2, serial.total_s),
            *(share / 2, 0.0, share),
        ),
        source="CLRS, section 27.1: no schedule is faster than the longest chain",
    )


def stranded(pools: tuple[PoolReading, ...], answered: WhatIfPool) -> tuple[PoolReading, ...]:
    """Return pools of which the idlest has the finding that one pool of all would gain."""
    if answered.refused or not pools:
        return pools
    idlest = max(pools, key=idle)
    found = tuple(_finding(idlest, answered, *pair) for pair in _best(idlest, answered))
    if not found:
        return pools
    busy = (one for one in idlest.findings if one.code is not FindingCode.TOO_FEW_WORKERS)
    held = [one for one in (*busy, *found) if one.code not in URGENT]
    first = [one for one in idlest.findings if one.code in URGENT]
    by_gain = sorted(held, key=_rank)
    changed = replace(idlest, findings=(*first, *by_gain), health="")
    gain = max((one.gain.share for one in found if one.gain), default=0.0)
    return tuple(changed if pool is idlest else _with_those_first(pool, gain) for pool in pools)


def _with_those_first(pool: PoolReading, gain: float) -> PoolReading:
    """Leave out that a pool has too few workers where idle ones of another would do as much.

    Half as much is enough: they are there already.
    """
    kept = tuple(
        one
        for one in pool.findings
        if one.code is not FindingCode.TOO_FEW_WORKERS
        or one.gain is None
        or one.gain.share > 2 * gain
    )
    return replace(pool, findings=kept)


def _best(pool: PoolReading, answered: WhatIfPool) -> list[tuple[Cause, AnswerReading]]:
    """Return the best answer for each cause, where it gains enough."""
    best: dict[FindingCode, tuple[Cause, AnswerReading]] = {}
    for answer in _candidates(answered):
        if answer.gain < LEAST_GAIN or answer.gain_low < SURE_GAIN:
            continue
        cause = _cause_of(pool, answer)
        if cause is None or not _can_gain(pool, answered, cause, answer):
            continue
        held = best.get(cause.code)
        if held is None or answer.gain > held[1].gain:
            best[cause.code] = (cause, answer)
    return list(best.values())


def _can_gain(pool: PoolReading, answered: WhatIfPool, cause: Cause, answer: AnswerReading) -> bool:
    """Return whether the time that a cause accounts for suffices for what its mending gains.

    Tasks that take as long as before on as many workers can be run faster only in the time in which
    a worker had none, workers that were never started included. Time beside queued tasks is worth
    most if all of it was on the critical path.
    """
    if answered.unit is Unit.P95_S or cause.code not in OF_IDLE_TIME:
        return True
    more = answered.unit is Unit.TASKS_PER_S
    saved = answer.gain / (1 + answer.gain) if more else answer.gain
    most = 1 - in_tasks(pool) * len(pool.workers) / max(1, pool.size)
    if cause.code in (FindingCode.STARVED_BESIDE_WORK, FindingCode.NEVER_STEALS):
        most = min(most, cause.share(pool) * len(pool.workers))
    return most >= max(LEAST_GAIN, saved * IN_PROPORTION)


def _candidates(answered: WhatIfPool) -> Iterable[AnswerReading]:
    """Yield the answers; of numbers of workers only the best one, where there is a curve."""
    best = answered.curve.best if answered.curve is not None else None
    for answer in answered.answers:
        number = dict(answer.change.facts).get("workers")
        if number is None or best is None or number == best:
            yield answer


def _cause_of(pool: PoolReading, answer: AnswerReading) -> Cause | None:
    """Return the cause that a change mends, None for changes that mend none."""
    facts = dict(answer.change.facts)
    if "workers" in facts:
        more = int(facts["workers"]) > pool.size
        return CAUSES["more_workers" if more else "fewer_workers"]
    if "grain" in facts:
        return CAUSES["coarser" if float(facts["grain"]) > 1 else "finer"]
    found = next((CAUSES[key] for key in facts if key in CAUSES), None)
    if found is not None and found.code is FindingCode.STARVED_BESIDE_WORK and never_steals(pool):
        return CAUSES["never_steals"]
    return found


def _finding(
    pool: PoolReading, answered: WhatIfPool, cause: Cause, answer: AnswerReading
) -> Finding:
    share = max(0.0, min(1.0, cause.share(pool)))
    assumes = "; ".join(answer.assumes)
    since = dict(answer.change.facts).get("since_ns")
    return Finding(
        code=cause.code,
        worker_seconds=share * pool.time.worker_seconds,
        share=share,
        sentence=cause.sentence(pool, answer),
        advice=cause.advice(pool, answer),
        evidence=f"The simulation assumes: {assumes}" if assumes else "",
        gain=gain_of(answered, answer),
        where=where_of(pool, cause.code),
        since_ns=-1 if since is None else int(since),
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
