"""Judges a promise by the share of its cases in which it was broken. Pure.

A promise is kept, broken, or unknown with too few cases.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ...model.promises import PromiseReading
from ...model.vocabulary import Verdict

if TYPE_CHECKING:
    from ...model.arrays import Int64
    from .promise_list import Promise

LEAST_CASES = 30
MOST_BROKEN = 0.05
MOST_TIMESTAMPS = 20


def judged(
    promise: Promise,
    cases: int,
    broken: int,
    timestamps: Int64,
    *,
    least: int | None = None,
    most: float | None = None,
) -> PromiseReading:
    """Return the reading of a promise that was broken in `broken` of `cases`.

    timestamps: when it was broken, ns. The verdict is broken above the share `most`, and unknown
    below `least` cases; these are `MOST_BROKEN` and `LEAST_CASES` where they are not given.
    """
    least = LEAST_CASES if least is None else least
    most = MOST_BROKEN if most is None else most
    share = broken / cases if cases else 0.0
    verdict = Verdict.UNKNOWN if cases < least else Verdict.BROKEN if share > most else Verdict.KEPT
    return PromiseReading(
        code=promise.code,
        what=promise.what,
        verdict=verdict,
        cases=cases,
        broken=broken,
        effect=share,
        timestamps_ns=tuple(np.sort(timestamps)[:MOST_TIMESTAMPS].tolist()),
        purpose=promise.purpose,
        source=promise.source,
        why="" if verdict != Verdict.UNKNOWN else f"only {cases} cases; {least} are needed",
        evidence=f"broken in {broken} of {cases} cases",
    )


def not_judged(promise: Promise, why: str) -> PromiseReading:
    """Return the reading of a promise that cannot be judged, and why."""
    return PromiseReading(
        promise.code,
        promise.what,
        Verdict.UNKNOWN,
        0,
        0,
        0.0,
        (),
        promise.purpose,
        promise.source,
        why,
    )
