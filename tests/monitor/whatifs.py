"""Made-up answers of a what-if for the tests of views: a batch, an open pool, a refused one."""

from __future__ import annotations

from readings import source

from idlehands_monitor.model.changes import (
    Cores,
    Grain,
    HandOver,
    KindTime,
    NoInterpreterLock,
    ParkWhenEmpty,
    Workers,
    together,
)
from idlehands_monitor.model.whatif import (
    AnswerReading,
    Arrivals,
    CurvePoint,
    CurveReading,
    ScalabilityReading,
    SizingReading,
    WhatIfPool,
    WhatIfReading,
)

SAME_ORDER = "tasks are handed in by the same tasks, at the same points of their work"
SAME_COSTS = "to hand a task over costs what it costs in this run"
MORE_THREADS = "further workers are as fast as the present ones"


def answer(changes, median, gain, assumes=(SAME_ORDER, SAME_COSTS), spread=0.02):
    """Return an answer whose interval is `spread` of its median to both sides."""
    return AnswerReading(
        change=together(changes),
        low=median * (1 - spread),
        median=median,
        high=median * (1 + spread),
        gain=gain,
        gain_low=gain - spread,
        gain_high=gain + spread,
        assumes=assumes,
        seeds=32,
    )


def curve(numbers=(1, 2, 4, 8, 16, 32), present=4, best=8, work=40.0, span=4.4):
    """Return a curve that obeys the greedy bound, a little above T1/P and Tinf."""
    points = []
    for workers in numbers:
        median = max(work / workers, span) * 1.06 + 0.12 * workers**0.5
        points.append(CurvePoint(workers, median * 0.97, median, median * 1.04))
    law = ScalabilityReading(0.0613, 0.00028, 0.0229, 57.9, 0.0004)
    return CurveReading(tuple(points), present, best, work, span, law)


def batch(**changes):
    """Return a stealing pool that works off a batch."""
    known = {
        "name": "kiln",
        "kind": "work stealing",
        "workers": 4,
        "arrivals": Arrivals.BATCH,
        "recorded": 11.2,
        "reproduced": 10.9,
        "tasks": 100_000,
        "all_tasks": 131_072,
        "answers": (
            answer((Workers(8),), 5.8, 0.468, (SAME_ORDER, SAME_COSTS, MORE_THREADS)),
            answer((NoInterpreterLock(),), 7.1, 0.349),
            answer((KindTime("glaze.fire", 0.5),), 7.9, 0.275),
            answer((ParkWhenEmpty(),), 9.4, 0.138, (SAME_ORDER,)),
            answer((Cores(4),), 9.9, 0.092, ()),
            answer((HandOver(0.5),), 10.7, 0.018),
            answer((Grain(2),), 11.5, -0.055),
        ),
        "curve": curve(),
        "notes": ("the lock that tasks wait for is not named, it is taken as one lock",),
    }
    return WhatIfPool(**{**known, **changes})


def open_pool(**changes):
    """Return a pool with one queue that is fed at its own pace, faster than it serves."""
    points = ((2, 41.0), (3, 9.2), (4, 0.62), (5, 0.21), (6, 0.12), (7, 0.08), (8, 0.079))
    known = {
        "name": "ferry bookings",
        "kind": "thread pool",
        "workers": 3,
        "arrivals": Arrivals.OPEN,
        "recorded": 9.0,
        "reproduced": 9.3,
        "tasks": 4_200,
        "all_tasks": 4_200,
        "answers": (
            answer((Workers(6),), 0.12, 0.987, (MORE_THREADS,)),
            answer((Workers(4), Grain(0.5)), 0.6, 0.935, (MORE_THREADS, SAME_COSTS)),
        ),
        "curve": CurveReading(
            tuple(CurvePoint(n, v * 0.8, v, v * 1.3) for n, v in points), present=3, best=7
        ),
        "sizing": SizingReading(0.97, 3.1, 3.4, 2.9, None, 4, 0.05, 9, 1.75, 95.0),
    }
    return WhatIfPool(**{**known, **changes})


def refused():
    """Return a pool whose recorded run the simulation does not reproduce."""
    return batch(
        name="loom",
        reproduced=15.0,
        refused="the simulation of the run as it was is 34 % off, more than 10 %",
    )


def what_if(*pools, **changes):
    """Return the answers for some pools, else for a batch, an open pool and a refused one."""
    shown = pools or (batch(), open_pool(), refused())
    return WhatIfReading(source(state="replay"), tuple(shown), **changes)
