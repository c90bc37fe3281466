"""The finding on a worker that runs the same kinds of task slower than its siblings. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ...model.findings import LEAST_SHARE, Finding
from ...model.vocabulary import FindingCode

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ...model.reading import PoolReading
    from ...model.worker_time import WorkerTime

SLOWER = 1.25
"""The ratio of medians from which on a worker is slow: chosen."""
LARGE_EFFECT = 0.71
"""The probability that a task of the worker takes longer than one of a sibling: large in A. Vargha,
H. D. Delaney 2000 (from memory)."""
SURE_SLOWER = 5.0
"""Standard errors by which it must exceed one half: each of many workers is compared, and a live
pool again and again."""
MORE_WAIT = 0.1
"""If so much more of its time in tasks waits for a core, that is why a worker is slow: chosen."""


def slow_worker(pool: PoolReading) -> Iterator[Finding]:
    """Yield the finding on the slowest worker, if it is slow and costs enough."""
    held = pool.slowest
    if (
        held is None
        or held.slowdown < SLOWER
        or held.superiority < LARGE_EFFECT
        or held.superiority - 0.5 < SURE_SLOWER * held.error
    ):
        return
    own = next((one.time for one in pool.workers if one.index == held.worker), None)
    if own is None:
        return
    lost_s = (own.working + own.blocked + own.run_queue_wait) / 1e9 * (1 - 1 / held.slowdown)
    share = lost_s / max(1e-9, pool.time.worker_seconds)
    if share < LEAST_SHARE:
        return
    why, advice = _why(pool, own)
    yield Finding(
        FindingCode.SLOW_WORKER,
        lost_s,
        share,
        f"Worker {held.worker} takes {held.slowdown:.2g} times as long for the same kinds of task "
        f"as its siblings{why}",
        advice,
        evidence=f"in {held.superiority:.0%} of pairs its task takes longer than one of a sibling "
        f"({held.tasks} tasks against {held.others})",
        where=held.kind,
        no_gain="the simulation takes all workers as equally fast; at the speed of the others "
        f"this worker would run {100 * (held.slowdown - 1):.0f} % more tasks",
        source="Mann and Whitney 1947; Vargha and Delaney 2000",
    )


def _why(pool: PoolReading, own: WorkerTime) -> tuple[str, str]:
    """Return why a worker is slow, as far as its time split shows it, and what to try."""
    others = [one.time for one in pool.workers if one.time is not own]
    usual = _wait_share(sum(one.run_queue_wait for one in others), sum(map(_in_task, others)))
    waits = _wait_share(own.run_queue_wait, _in_task(own))
    if waits - usual >= MORE_WAIT:
        return (
            f": it waits for a core for {100 * waits:.0f} % of its time in tasks, the others "
            f"{100 * usual:.0f} %",
            "Give it the same share of the cores: compare its affinity (taskset -p), its niceness "
            "and its control group with those of its siblings, and what else runs on its core",
        )
    return (
        "",
        "See what is different for it: the speed of its core, a core or memory that it shares with "
        "another program, data or a connection of its own",
    )


def _in_task(time: WorkerTime) -> int:
    return time.working + time.blocked + time.run_queue_wait


def _wait_share(waited: int, in_task: int) -> float:
    return waited / max(1, in_task)
