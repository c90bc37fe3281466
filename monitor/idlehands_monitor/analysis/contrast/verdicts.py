"""Findings that are gone or new, and promises that are broken or kept now. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ...model.contrast import FindingContrast, Presence, PromiseContrast
from ...model.findings import URGENT
from ...model.vocabulary import FindingCode, PromiseCode, Verdict
from .worth import LEAST_FINDING, LEAST_GAIN, LEAST_TIME

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ...model.findings import Finding
    from ...model.promises import PromiseReading
    from .runs import PoolRun, Run

Captures = list[list["Finding"]]
Codes = set[FindingCode]
OF_THE_JOB = {FindingCode.STRANDED_IN_OTHER_POOL}
"""Findings about several pools: which of them has it may be chance."""


def finding_contrasts(
    before: Sequence[PoolRun], after: Sequence[PoolRun], job: tuple[Codes, Codes]
) -> tuple[FindingContrast, ...]:
    """Return each finding of a pool: what is gone first, then what is new, then what stays.

    A finding is gone where most captures before have it and none after. Of one capture a side only
    the first finding may be named: which further ones there are is partly chance. job: the codes
    that any pool of the job has on each side.
    """
    most = None if len(before) > 1 or len(after) > 1 else 1
    everywhere = job[0] & job[1] & OF_THE_JOB
    weighty = {
        presence: {one.code for pool in side for one in _findings(pool, most)} - everywhere
        for presence, side in ((Presence.GONE, before), (Presence.NEW, after))
    }
    first, second = ([_findings(pool) for pool in side] for side in (before, after))
    codes = dict.fromkeys(one.code for run in (*first, *second) for one in run)
    found = [_finding(code, first, second, weighty) for code in codes]
    order = list(Presence)
    return tuple(sorted(found, key=lambda one: (order.index(one.presence), -_gain(one))))


def codes_of(side: Sequence[Run]) -> Codes:
    """Return the codes that any pool of a side has."""
    return {
        finding.code for run in side for pool in run.pools.values() for finding in _findings(pool)
    }


def _findings(pool: PoolRun, most: int | None = None) -> list[Finding]:
    """Return the findings of a pool, the first `most` of each of its readings."""
    return [finding for reading in pool.readings for finding in reading.findings[:most]]


def _gain(one: FindingContrast) -> float:
    return max(one.gain_before or 0.0, one.gain_after or 0.0)


def _finding(
    code: FindingCode, before: Captures, after: Captures, weighty: dict[Presence, Codes]
) -> FindingContrast:
    with_it = [
        [[one for one in run if one.code is code] for run in side] for side in (before, after)
    ]
    counts = [sum(1 for run in side if run) for side in with_it]
    held = [[one for run in side for one in run] for side in with_it]
    gains = [_median([one.gain.share for one in side if one.gain]) for side in held]
    presence = _presence((counts[0], len(before)), (counts[1], len(after)))
    mine = held[1] if presence is Presence.NEW else held[0] or held[1]
    places = [one.where for one in mine if one.where]
    return FindingContrast(
        code=code,
        presence=presence,
        before=counts[0],
        after=counts[1],
        gain_before=gains[0],
        gain_after=gains[1],
        where=places[0] if places else "",
        named=code in weighty.get(presence, ()) and any(map(_is_weighty, mine)),
    )


def _presence(before: tuple[int, int], after: tuple[int, int]) -> Presence:
    """Return where a finding is; before, after: in how many captures it is, of how many."""
    if not after[0] and 2 * before[0] > before[1]:
        return Presence.GONE
    if not before[0] and 2 * after[0] > after[1]:
        return Presence.NEW
    return Presence.STAYS


def _is_weighty(finding: Finding) -> bool:
    """Return whether a finding is far enough from the line at which it begins."""
    if finding.code in URGENT:
        return True
    if finding.gain is not None:
        return finding.gain.share >= LEAST_FINDING and finding.gain.share_low >= LEAST_GAIN
    return finding.share >= LEAST_TIME


def _median(values: Sequence[float]) -> float | None:
    return float(np.median(values)) if values else None


def promise_contrasts(
    before: Sequence[PoolRun], after: Sequence[PoolRun]
) -> tuple[PromiseContrast, ...]:
    """Return each promise with its verdicts; named where it is kept on one side only."""
    sides = [_promises(side) for side in (before, after)]
    found = []
    for code, held in sides[0].items():
        if code not in sides[1]:
            continue
        verdicts = _usual(held), _usual(sides[1][code])
        named = set(verdicts) == {Verdict.KEPT, Verdict.BROKEN}
        found.append(PromiseContrast(code, held[0].what, *verdicts, named))
    return tuple(found)


def _promises(side: Sequence[PoolRun]) -> dict[PromiseCode, list[PromiseReading]]:
    found: dict[PromiseCode, list[PromiseReading]] = {}
    for pool in side:
        for reading in pool.readings:
            for promise in reading.promises:
                found.setdefault(promise.code, []).append(promise)
    return found


def _usual(held: Sequence[PromiseReading]) -> Verdict:
    """Return the verdict of more than half of the captures, unknown where there is none."""
    for verdict in (Verdict.KEPT, Verdict.BROKEN):
        if 2 * sum(1 for one in held if one.verdict is verdict) > len(held):
            return verdict
    return Verdict.UNKNOWN
