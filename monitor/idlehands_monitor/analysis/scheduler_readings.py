"""What is said of a pool's scheduler: its task graph and its promises, frozen.

Part of a `PoolReading`.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class GraphReading:
    """Work and span of the tasks spawned, run and ended in the window, of all of them.

    measured_s: from the first spawn to the last end. greedy_bound_s: what no greedy schedule of
    these tasks on as many workers exceeds. last_root_s: when the last task came from outside,
    counted from the first spawn.
    """

    tasks: int
    work_s: float
    span_s: float
    parallelism: float
    measured_s: float
    greedy_bound_s: float
    last_root_s: float


@dataclass(frozen=True, slots=True)
class PromiseReading:
    """One promise of the scheduler and whether this run keeps it.

    verdict: "kept", "broken" or "unknown" (too little data, or not recorded). cases: how often it
    could have been broken; broken: how often it was; effect: the share or the effect size that
    the verdict goes by. moments_ns: when it was broken, the first few. why: what
    keeps it from being judged. evidence: what the verdict goes by, in a few words.
    """

    code: str
    what: str
    verdict: str
    cases: int
    broken: int
    effect: float
    moments_ns: tuple[int, ...]
    purpose: str
    source: str
    why: str = ""
    evidence: str = ""
