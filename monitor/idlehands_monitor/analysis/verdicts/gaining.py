"""Which changes gain enough to name the causes that they mend, and what they gain. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ...model.findings import LEAST_SHARE, GainReading
from ...model.vocabulary import FindingCode
from ...model.whatif import LEAST_GAIN, Unit
from .cause_list import CAUSES, Cause
from .never_steals import never_steals
from .time_shares import in_tasks, own_waits, part_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from ...model.reading import PoolReading
    from ...model.whatif import AnswerReading, WhatIfPool

BETWEEN_TASKS = {
    FindingCode.STARVED_BESIDE_WORK,
    FindingCode.NEVER_STEALS,
    FindingCode.STRANDED_IN_OTHER_POOL,
    FindingCode.TOO_LITTLE_PARALLELISM,
    FindingCode.BARRIER_WAIT,
    FindingCode.SLOW_SUBMITTER,
    FindingCode.GRAIN_TOO_COARSE,
    FindingCode.GRAIN_TOO_FINE,
    FindingCode.UNEVEN_VICTIMS,
    FindingCode.WRONG_STEAL_END,
}
"""Causes whose mending leaves the tasks as they are: it gains time between
tasks and nothing else."""
SURE_GAIN = LEAST_GAIN / 2
"""What a change surely gains, at the low end of its interval: chosen."""
IN_PROPORTION = 0.5
"""A cause may account for half of the time that its mending saves: figures have errors. Chosen."""


def best(pool: PoolReading, answered: WhatIfPool) -> list[tuple[Cause, AnswerReading]]:
    """Return the best answer for each cause, where it gains enough."""
    held: dict[FindingCode, tuple[Cause, AnswerReading]] = {}
    for answer in _candidates(answered):
        if answer.gain < LEAST_GAIN or answer.gain_low < SURE_GAIN:
            continue
        cause = _cause_of(pool, answer)
        if cause is None or not _can_gain(pool, answered, cause, answer):
            continue
        before = held.get(cause.code)
        if before is None or answer.gain > before[1].gain:
            held[cause.code] = (cause, answer)
    return list(held.values())


def _can_gain(pool: PoolReading, answered: WhatIfPool, cause: Cause, answer: AnswerReading) -> bool:
    """Return whether the time that a cause accounts for suffices for what its mending gains.

    Tasks that take as long as before on as many workers can be run faster only in the time in which
    a worker had none, workers that were never started included. Time beside queued tasks is worth
    most if all of it was on the critical path.
    """
    if cause.code is FindingCode.TOO_FEW_WORKERS and not _has_free_cores(pool):
        return False
    if answered.unit is Unit.P95_S or cause.code not in BETWEEN_TASKS:
        return True
    more = answered.unit is Unit.TASKS_PER_S
    saved = answer.gain / (1 + answer.gain) if more else answer.gain
    most = 1 - in_tasks(pool) * len(pool.workers) / max(1, pool.size)
    if cause.code in (FindingCode.STARVED_BESIDE_WORK, FindingCode.NEVER_STEALS):
        most = min(most, cause.share(pool) * len(pool.workers))
    return most >= max(LEAST_GAIN, saved * IN_PROPORTION)


def _has_free_cores(pool: PoolReading) -> bool:
    """Return whether tasks rarely wait for a core, or less than for what blocks them.

    Where other threads want all cores, more workers would get a larger part of them, and that is
    all.
    """
    return part_of("run_queue_wait")(pool) <= max(LEAST_SHARE, own_waits(pool))


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


def perhaps(pool: PoolReading, answered: WhatIfPool) -> AnswerReading | None:
    """Return the change that may gain most, but may also gain nothing; None without one."""
    unsure = [
        answer
        for answer in _candidates(answered)
        if answer.gain >= LEAST_GAIN
        and (cause := _cause_of(pool, answer)) is not None
        and _can_gain(pool, answered, cause, answer)
    ]
    return max(unsure, key=lambda answer: answer.gain, default=None)


def gain_of(answered: WhatIfPool, answer: AnswerReading) -> GainReading:
    """Return what an answer gains, in the unit of the job.

    Where only the last tasks of a batch were simulated, all of them are taken to gain as much.
    """
    before, more = answered.recorded, answered.unit is Unit.TASKS_PER_S
    times = answered.whole / before if answered.whole and before else 1.0
    low, median, high = (
        times * (value - before if more else before - value)
        for value in (answer.low, answer.median, answer.high)
    )
    return GainReading(
        unit=answered.unit,
        before=times * before,
        low=min(low, high),
        median=median,
        high=max(low, high),
        share=answer.gain,
        share_low=answer.gain_low,
        share_high=answer.gain_high,
        given=_given(answer),
    )


def _given(answer: AnswerReading) -> str:
    """Return how much less of what is too slow was simulated, where nobody can say how much less it
    can be."""
    facts = dict(answer.change.facts)
    for key, what in (("hand_over", "hand-overs take"), ("hand_in", "hand-ins take")):
        if key in facts:
            return f"{what} {100 * float(facts[key]):.0f} % of the time"
    return ""
