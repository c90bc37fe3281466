"""From the values of simulated runs to medians, intervals and gains. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ...model import changes as ask
from ...model.whatif import UNIT_OF, AnswerReading, Arrivals, CurvePoint, CurveReading, WhatIfPool
from .assuming import assumptions
from .scalability import law_of
from .scenario import unbounded

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ...model.arrays import Float
    from .recording import Recording

INTERVAL = (0.025, 0.975)
MOST_ERROR = 0.1
"""A simulation that is farther from the recorded run than this answers nothing."""
MODEL_ERROR = 0.02
"""Added to every interval: half of the error that predictions are held to."""
NEARLY_BEST = 0.02


@dataclass(frozen=True, slots=True)
class Asked:
    """One variant: its changes, and for a point of the curve its number of workers."""

    changes: ask.Changes
    workers: int = 0


@dataclass(frozen=True, slots=True)
class _Predicted:
    low: float
    median: float
    high: float


def pool_answers(
    name: str,
    kind: str,
    made: Recording,
    asked: Sequence[Asked],
    values: Sequence[Sequence[float | None]],
    fixed: Sequence[int],
) -> WhatIfPool:
    """Return the answers for one pool.

    values: by variant and seed, None where a run was not made, the first variant is the run as it
    was. fixed: the seeds in which the tasks are the recorded ones.
    """
    base = _array(values[0])
    reproduced = _median(base, fixed)
    recorded = made.value
    error = abs(reproduced / recorded - 1) if recorded else math.inf
    refused = made.refused or _refused(error, recorded, reproduced)
    found: list[tuple[Asked, AnswerReading]] = []
    if not refused:
        for one, runs in zip(asked, values[1:], strict=True):
            answer = _answer(one, made, _array(runs), base, fixed, error)
            if answer is not None:
                found.append((one, answer))
    points = [(one, answer) for one, answer in found if one.workers]
    others = [answer for one, answer in found if not one.workers]
    curve = _curve(made, points, reproduced)
    if not others or len(points) == len(found):
        answers = [answer for _, answer in points]
    else:
        best = _best_points(made, points)
        answers = sorted([*others, *best], key=lambda answer: -answer.gain)
    return WhatIfPool(
        name=name,
        kind=kind,
        workers=made.scenario.workers,
        arrivals=made.scenario.arrivals,
        recorded=recorded,
        reproduced=reproduced,
        tasks=len(made.scenario.kinds),
        all_tasks=max(made.held.all_tasks, len(made.scenario.kinds)),
        answers=tuple(answers),
        curve=curve,
        notes=made.notes,
        refused=refused,
        whole=made.whole,
    )


def _refused(error: float, recorded: float, reproduced: float) -> str:
    if not math.isfinite(reproduced) or not recorded:
        return "the run as it was could not be simulated"
    if error <= MOST_ERROR:
        return ""
    return (
        f"the simulation of the run as it was is {100 * error:.0f} % off the recorded value, "
        f"more than {100 * MOST_ERROR:.0f} %: something in this run is not in the model"
    )


def _array(runs: Sequence[float | None]) -> Float:
    return np.array([math.nan if value is None else value for value in runs], dtype=np.float64)


def _median(runs: Float, fixed: Sequence[int]) -> float:
    """Return the median of the runs of the recorded tasks; of all where none of these was made."""
    mine = runs[list(fixed)]
    mine = mine if np.isfinite(mine).any() else runs
    return float(np.nanmedian(mine)) if np.isfinite(mine).any() else math.nan


def _answer(
    one: Asked, made: Recording, runs: Float, base: Float, fixed: Sequence[int], error: float
) -> AnswerReading | None:
    """Return one answer, None where no run of it was made."""
    middle, before = _median(runs, fixed), _median(base, fixed)
    if not math.isfinite(middle) or not before:
        return None
    scale = _scale(made.value, base, fixed)
    both = np.isfinite(runs)
    low, high = _around(runs[both], middle, error)
    known = both & np.isfinite(base)
    ratio = middle / before
    ratio_low, ratio_high = _around(runs[known] / base[known], ratio, error)
    gains = sorted(_gain(made.scenario.arrivals, value) for value in (ratio_low, ratio_high))
    return AnswerReading(
        change=ask.together(one.changes),
        low=low * scale,
        median=middle * scale,
        high=high * scale,
        gain=_gain(made.scenario.arrivals, ratio),
        gain_low=gains[0],
        gain_high=gains[1],
        assumes=assumptions(one.changes, made),
        seeds=int(np.count_nonzero(both)),
    )


def _scale(recorded: float, base: Float, fixed: Sequence[int]) -> float:
    """Return by what simulated values are multiplied, so that the run as it was comes out.

    What is chance in the recorded run (whom thieves happened to try) is no error of the model, and
    is left out: the logarithm of the difference shrinks by how likely chance explains it.
    """
    runs = base[list(fixed)]
    runs = runs[np.isfinite(runs)]
    before = _median(base, fixed)
    difference = math.log(recorded / before)
    chance = float(np.std(np.log(runs))) if len(runs) > 2 else 0.0
    both = difference**2 + chance**2
    return math.exp(difference * difference**2 / both) if both else 1.0


def _around(runs: Float, middle: float, error: float) -> tuple[float, float]:
    """Return a 95 % interval around `middle` with the spread of the runs' logarithms.

    It is widened by the error with which the run as it was came out, and by `MODEL_ERROR`.
    """
    low = high = 0.0
    if len(runs) > 1 and runs.min() > 0:
        logs = np.log(runs)
        ends = np.quantile(logs, (INTERVAL[0], 0.5, INTERVAL[1]), method="median_unbiased")
        low, high = float(ends[1] - ends[0]), float(ends[2] - ends[1])
    more = error + MODEL_ERROR
    return middle * math.exp(-math.hypot(low, more)), middle * math.exp(math.hypot(high, more))


def _gain(arrivals: Arrivals, ratio: float) -> float:
    return ratio - 1 if arrivals is Arrivals.CLOSED else 1 - ratio


def _best_points(
    made: Recording, points: Sequence[tuple[Asked, AnswerReading]]
) -> list[AnswerReading]:
    """Return the answers for half, twice and four times the workers, and for the best number."""
    present = made.scenario.workers
    wanted = {present // 2, present * 2, present * 4} - {0, present}
    best = max(points, key=lambda pair: pair[1].gain, default=None)
    if best is not None and best[0].workers != present:
        wanted.add(best[0].workers)
    return [answer for one, answer in points if one.workers in wanted]


def _curve(
    made: Recording, points: Sequence[tuple[Asked, AnswerReading]], reproduced: float
) -> CurveReading | None:
    if len(points) < 2:
        return None
    found = tuple(
        CurvePoint(one.workers, answer.low, answer.median, answer.high) for one, answer in points
    )
    top = max(answer.gain for _, answer in points)
    best = min(one.workers for one, answer in points if answer.gain >= top - NEARLY_BEST)
    work_s, span_s = (None, None)
    if made.scenario.arrivals is Arrivals.BATCH:
        work_s, span_s = work_and_span_s(made)
    law = law_of(found, UNIT_OF[made.scenario.arrivals])
    return CurveReading(found, made.scenario.workers, best, work_s, span_s, law)


def work_and_span_s(made: Recording) -> tuple[float, float]:
    """Return T₁ and T∞ of the simulated tasks in seconds, scaled as the answers are."""
    program = made.scenario.program
    return program.work_ns / 1e9, unbounded(made.scenario).end_ns / 1e9
