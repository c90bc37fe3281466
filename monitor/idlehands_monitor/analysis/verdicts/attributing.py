"""Attributes worker time to findings, none of it twice: the first finding takes its part first.

Pure. A finding takes time of its own categories only, and at most what earlier ones have left.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from ...model.vocabulary import Category, FindingCode
from ...model.worker_time import CATEGORIES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ...model.findings import Finding
    from ...model.reading import PoolReading

IN_TASK = (Category.BLOCKED, Category.RUN_QUEUE_WAIT, Category.WORKING)
IDLE = (Category.NO_WORK, Category.STARVED, Category.WAKING, Category.SEARCHING)
TAKES = {
    FindingCode.TOO_FEW_WORKERS: (Category.BLOCKED,),
    FindingCode.INTERPRETER_LOCK: (Category.BLOCKED,),
    FindingCode.LOCK_WAIT: (Category.BLOCKED,),
    FindingCode.BLOCKED_IN_TASK: (Category.BLOCKED,),
    FindingCode.MORE_WORKERS_THAN_CORES: (Category.RUN_QUEUE_WAIT, Category.BLOCKED),
    FindingCode.CORES_BUSY_ELSEWHERE: (Category.RUN_QUEUE_WAIT,),
    FindingCode.CPU_QUOTA: (Category.RUN_QUEUE_WAIT, Category.BLOCKED),
    FindingCode.BARRIER_WAIT: IDLE,
    FindingCode.GRAIN_TOO_COARSE: IDLE,
    FindingCode.STRANDED_IN_OTHER_POOL: IDLE,
    FindingCode.SERIAL_STRETCH: IDLE,
    FindingCode.SLOW_SUBMITTER: (Category.NO_WORK,),
    FindingCode.TOO_LITTLE_PARALLELISM: (Category.NO_WORK,),
    FindingCode.STARVED_BESIDE_WORK: (Category.STARVED, Category.WAKING),
    FindingCode.NEVER_STEALS: (Category.STARVED, Category.WAKING),
    FindingCode.PARK_CHURN: (Category.WAKING, Category.SEARCHING),
    FindingCode.LONG_SEARCHES: (Category.SEARCHING,),
    FindingCode.UNEVEN_VICTIMS: (Category.SEARCHING,),
    FindingCode.WRONG_STEAL_END: (Category.SEARCHING,),
    FindingCode.DEQUE_CONTENTION: (Category.DISPATCH, Category.SEARCHING),
    FindingCode.GRAIN_TOO_FINE: (Category.DISPATCH, Category.WAKING, Category.STARVED),
    FindingCode.SLOW_HAND_OVER: (Category.DISPATCH,),
    FindingCode.GROWING_BACKLOG: IN_TASK,
    FindingCode.LOST_WORKER: (),
    FindingCode.MEMORY_GROWTH: (),
    FindingCode.NESTED_WAIT: IN_TASK,
    FindingCode.SLOW_WORKER: IN_TASK,
    FindingCode.STUCK_WORKER: IN_TASK,
    FindingCode.FAILING_TASKS: IN_TASK,
}
"""The categories of worker time that each finding is about; none for what is counted otherwise (a
dead worker's time is no time of the pool)."""


def attributed(pool: PoolReading, findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Return findings whose worker time adds up to no more than there is in each category."""
    left = {category: float(getattr(pool.time, category)) for category in CATEGORIES}
    result = []
    for finding in findings:
        takes = TAKES[finding.code]
        if not takes:
            result.append(finding)
            continue
        wanted = finding.worker_seconds * 1e9
        taken = 0.0
        for category in takes:
            part = min(left[category], wanted - taken)
            left[category] -= part
            taken += part
        share = taken / max(1, pool.time.total)
        result.append(replace(finding, worker_seconds=taken / 1e9, share=share))
    return tuple(result)
