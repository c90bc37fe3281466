"""What is said of a pool's scheduler: its task graph and its promises, frozen.

Part of a `PoolReading`.
"""

from __future__ import annotations

from dataclasses import dataclass

AT_ONCE = 0.02
"""All work was there at once if it had come within this share of the time that it took."""


@dataclass(frozen=True, slots=True)
class StealBoundReading:
    """The looks of a window beside P·T∞, which their expected number is proportional to.

    look_s: worker time spent searching by looks, the unit in which T∞ is counted: unit_span is
    T∞ / look_s, bound P times that. share: looks / bound. See `bounds`.
    """

    attempts: int
    hits: int
    attempt_s: float
    unit_span: float
    bound: float
    share: float


@dataclass(frozen=True, slots=True)
class GraphReading:
    """Work and span of the tasks spawned, run and ended in the window, of all of them.

    measured_s: from the first spawn to the last end. No schedule on `workers` workers takes less
    than work_law_s, T1/P, or span_s; no greedy one more than greedy_bound_s. last_root_s: when the
    last task came from outside, counted from the first spawn. whole: whether no other tasks ran in
    the window. steals: None where work kept coming in or is not whole, or nobody looked at
    another's deque.
    """

    tasks: int
    workers: int
    work_s: float
    span_s: float
    parallelism: float
    work_law_s: float
    measured_s: float
    greedy_bound_s: float
    last_root_s: float
    whole: bool = True
    steals: StealBoundReading | None = None

    @property
    def at_once(self) -> bool:
        """Whether all work was there when it began, which bounds on the whole ask for."""
        return self.last_root_s <= AT_ONCE * self.measured_s


EXPECTED_SHARE = 32
"""Looks by P·T∞ that are expected at most: 8·T∞ phases of P looks succeed, each with a chance above
a quarter (Arora, Blumofe, Plaxton, above; from memory)."""
