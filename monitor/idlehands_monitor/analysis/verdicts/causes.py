"""Findings as causes: what a simulated change would gain decides what is wrong. Pure.

A change that gains `LEAST_GAIN` or more names the cause that it mends. A category of worker time
whose mending gains less is no finding: a task that waits for its input does what it is for. What
cannot be simulated (a dead worker, growing memory, a quota) stays a finding by its own rule.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from ...model.findings import URGENT, Finding, GainReading
from ...model.vocabulary import FindingCode
from ...model.whatif import LEAST_GAIN, Arrivals, Unit
from .attributing import attributed
from .cause_list import percent, where_of
from .gaining import best, gain_of, perhaps
from .health import health
from .running_out import backlog_runs_out
from .time_shares import idle, in_tasks, part_of
from .unsimulated import DECIDED, not_simulated

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ...model.reading import PoolReading
    from ...model.whatif import AnswerReading, WhatIfPool
    from .cause_list import Cause

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
MOST_SINGLE = 3
"""So few tasks of a kind are no pieces that work was divided into: chosen."""
BY_PROMISE = {FindingCode.WRONG_STEAL_END: "right_ends", FindingCode.UNEVEN_VICTIMS: "even_victims"}
"""Findings of a broken promise stay, whatever they gain."""


def caused(pool: PoolReading, answered: WhatIfPool) -> PoolReading:
    """Return a reading whose findings are causes with gains, the largest first."""
    if answered.refused:
        why = f"nothing was simulated: {answered.refused}"
        return replace(pool, findings=not_simulated(pool, why))
    found = [_finding(pool, answered, *pair) for pair in best(pool, answered)]
    found += [*_backlog(pool, answered), *_serial(pool, answered)]
    found = _without_the_same(pool, answered, found)
    known = {finding.code for finding in found}
    first = [one for one in pool.findings if one.code in URGENT]
    others = [
        _promised(one, answered)
        for one in pool.findings
        if one.code not in URGENT and one.code not in DECIDED and one.code not in known
    ]
    by_gain = sorted(found, key=_rank)
    findings = attributed(pool, (*first, *by_gain, *others))
    healthy = "" if findings else health(pool, answered, perhaps(pool, answered))
    return replace(pool, findings=findings, health=healthy)


def _rank(finding: Finding) -> tuple[bool, float]:
    """Return what findings with a gain are ordered by: faults that more workers would only hide
    come first, then the largest gain, that of more workers counting for less."""
    gain = finding.gain.share if finding.gain else 0.0
    return finding.code not in HIDDEN, -gain * PREFERENCE.get(finding.code, 1.0)


def _without_the_same(
    pool: PoolReading, answered: WhatIfPool, found: list[Finding]
) -> list[Finding]:
    """Leave out one of two findings on the same thing: pieces too large, or one that runs alone.

    The only tasks of their kind are no pieces of a division: that they run alone is the cause.
    Where tasks are handed in one after the other, to divide each of them only helps as more tasks
    in flight do. What larger pieces save of a hand-over is not for the data that it copies.
    """
    codes = {finding.code for finding in found}
    if FindingCode.TOO_LITTLE_PARALLELISM in codes:
        return [one for one in found if one.code is not FindingCode.GRAIN_TOO_COARSE]
    if codes >= {FindingCode.GRAIN_TOO_FINE, FindingCode.SLOW_HAND_OVER}:
        fixed = _twice_as_large(answered) >= FIXED * _gain_of(found, FindingCode.SLOW_HAND_OVER)
        other = FindingCode.SLOW_HAND_OVER if fixed else FindingCode.GRAIN_TOO_FINE
        found = [one for one in found if one.code is not other]
    if not codes >= {FindingCode.SERIAL_STRETCH, FindingCode.GRAIN_TOO_COARSE}:
        return found
    alone = next(one for one in found if one.code is FindingCode.SERIAL_STRETCH)
    tasks = sum(kind.finished for kind in pool.tasks.kinds if kind.kind == alone.where)
    single = tasks <= MOST_SINGLE
    left_out = FindingCode.GRAIN_TOO_COARSE if single else FindingCode.SERIAL_STRETCH
    return [finding for finding in found if finding.code is not left_out]


def _twice_as_large(answered: WhatIfPool) -> float:
    """Return what pieces twice as large gain: half of the hand-overs, as half the time of each."""
    twice = (one.gain for one in answered.answers if dict(one.change.facts).get("grain") == 2)
    return max(twice, default=0.0)


def _gain_of(found: list[Finding], code: FindingCode) -> float:
    return next((one.gain.share for one in found if one.code is code and one.gain), 0.0)


def _backlog(pool: PoolReading, answered: WhatIfPool) -> Iterator[Finding]:
    """The queue of an open pool grows: it will never catch up, whatever the percentile is now."""
    sizing = answered.sizing
    if sizing is None or sizing.growth_per_s <= 0:
        return
    more = [one for one in answered.answers if "workers" in dict(one.change.facts)]
    most = max(more, key=lambda one: one.gain, default=None)
    needed = "" if sizing.least_workers is None else f" (at least {sizing.least_workers})"
    yield Finding(
        FindingCode.GROWING_BACKLOG,
        pool.time.worker_seconds * in_tasks(pool),
        in_tasks(pool),
        f"Tasks come faster than they are run: the queue grows by {sizing.growth_per_s:.3g} tasks "
        f"each second{backlog_runs_out(pool, sizing.growth_per_s)}",
        f"Use more workers{needed}, make tasks shorter, or hand in no more than can be run",
        gain=gain_of(answered, most) if most is not None and most.gain >= LEAST_GAIN else None,
        no_gain="" if most is not None and most.gain >= LEAST_GAIN else "more workers do not help",
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
    found = tuple(_finding(idlest, answered, *pair) for pair in best(idlest, answered))
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


def _finding(
    pool: PoolReading, answered: WhatIfPool, cause: Cause, answer: AnswerReading
) -> Finding:
    share = max(0.0, min(1.0, cause.share(pool)))
    assumes = "; ".join((*answer.assumes, *_simulated(answered)))
    since = dict(answer.change.facts).get("since_ns")
    return Finding(
        code=cause.code,
        worker_seconds=share * pool.time.worker_seconds,
        share=share,
        sentence=cause.sentence(pool, answer),
        advice=cause.advice(pool, answer),
        evidence=f"Simulated: {answer.change.sentence}" + (f", if {assumes}" if assumes else ""),
        gain=gain_of(answered, answer),
        where=where_of(pool, cause.code),
        since_ns=-1 if since is None else int(since),
        source="simulated, see docs/whatif.md",
    )


def _simulated(answered: WhatIfPool) -> Iterator[str]:
    """Yield that only a part of a batch was simulated, where that is so."""
    if answered.tasks < answered.all_tasks and answered.unit is Unit.SECONDS:
        yield (
            f"all {answered.all_tasks:,} tasks gain as much as the last {answered.tasks:,} of "
            "them, which were simulated"
        )


def _promised(finding: Finding, answered: WhatIfPool) -> Finding:
    """Return a finding of a broken promise with its simulated gain, any other as it is."""
    key = BY_PROMISE.get(finding.code)
    for answer in answered.answers:
        if key is not None and key in dict(answer.change.facts):
            return replace(finding, gain=gain_of(answered, answer))
    return finding
