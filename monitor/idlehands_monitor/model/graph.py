"""A pool's task graph in a reading: work, span and their bounds. Data only."""

from __future__ import annotations

from dataclasses import dataclass

AT_ONCE = 0.02
"""All work was there at once if all of it had arrived within this share of the measured time."""


@dataclass(frozen=True, slots=True)
class StealBoundReading:
    """The steal attempts of a window, compared with P·T∞: their expected number grows with it.

    attempt_s: searching time per attempt, the unit in which T∞ is counted. unit_span: T∞ /
    attempt_s; bound: P times that. share: attempts / bound. See `bounds`.
    """

    attempts: int
    hits: int
    attempt_s: float
    unit_span: float
    bound: float
    share: float


@dataclass(frozen=True, slots=True)
class GraphReading:
    """Work and span of all tasks that were spawned, ran and ended in the window.

    measured_s: from the first spawn to the last end. No schedule on `workers` workers takes less
    than work_law_s (T₁/P) or span_s; no greedy schedule takes more than greedy_bound_s.
    last_root_s: when the last task was handed in from outside, counted from the first spawn. whole:
    whether no other task ran in the window. steals: None where work kept arriving, where the graph
    is not whole, and without steal attempts.
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
        """Whether all work was there when the run began; the greedy bound requires it."""
        return self.last_root_s <= AT_ONCE * self.measured_s


EXPECTED_SHARE = 32
"""Expected steal attempts by P·T∞ at most: 8·T∞ phases of P attempts must succeed, and each phase
has a chance above a quarter (Arora, Blumofe, Plaxton 1998, see `bounds`; from memory)."""
