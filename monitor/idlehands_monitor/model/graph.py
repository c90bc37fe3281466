"""A pool's task graph in a reading: work, span and their bounds. Data only."""

from __future__ import annotations

from dataclasses import dataclass

from .vocabulary import GraphGap

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
class StretchReading:
    """A stretch of the critical path in one task. began_s: counted from the start of the path."""

    task: int
    kind: str
    began_s: float
    length_s: float


@dataclass(frozen=True, slots=True)
class KindSlackReading:
    """What the tasks of one kind have to do with the critical path.

    path_s: time on the path; path_share: of the span. The slack of a task is how much longer it
    could be without a longer span: the least of the kind, and the median over its tasks.
    """

    kind: str
    tasks: int
    work_s: float
    path_s: float
    path_share: float
    least_slack_s: float
    median_slack_s: float


@dataclass(frozen=True, slots=True)
class SerialReading:
    """Stretches of the span in which only one task can run, however many workers there are.

    share: of the span. longest_began_s: when the longest begins, counted from the start of the
    path; kind: what most of it is.
    """

    total_s: float
    share: float
    longest_s: float
    longest_began_s: float
    kind: str


@dataclass(frozen=True, slots=True)
class CriticalReading:
    """The critical path of a graph, and how its tasks would run on unlimited workers.

    tasks: how many lie on the path. stretches: how many stretches of one task each the path has;
    path: the longest of them, in the order of the path. kinds: most time on the path first.
    could_run: how many tasks run on unlimited workers, in equal slices of the span, on average.
    serial: None where two tasks can always run.
    """

    tasks: int
    stretches: int
    path: tuple[StretchReading, ...]
    kinds: tuple[KindSlackReading, ...]
    could_run: tuple[float, ...]
    serial: SerialReading | None = None


@dataclass(frozen=True, slots=True)
class GraphReading:
    """Work and span of all tasks that were spawned, ran and ended in the window.

    measured_s: from the first spawn to the last end. No schedule on `workers` workers takes less
    than work_law_s (T₁/P) or span_s; no greedy schedule takes more than greedy_bound_s.
    last_root_s: when the last task was handed in from outside, counted from the first spawn. whole:
    whether no other task ran in the window. steals: None where work kept arriving, where the graph
    is not whole, and without steal attempts. missing: what the rows do not show; with any of it the
    span is a lower bound. critical: None for a graph without work.
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
    missing: tuple[GraphGap, ...] = ()
    critical: CriticalReading | None = None

    @property
    def work_is_bound(self) -> bool:
        """Whether the work is a lower bound too: tasks are missing, not only what joins them."""
        return GraphGap.LOST_ROWS in self.missing or GraphGap.CUT_TASKS in self.missing

    @property
    def at_once(self) -> bool:
        """Whether all work was there when the run began; the greedy bound requires it."""
        return self.last_root_s <= AT_ONCE * self.measured_s


EXPECTED_SHARE = 32
"""Expected steal attempts by P·T∞ at most: 8·T∞ phases of P attempts must succeed, and each phase
has a chance above a quarter (Arora, Blumofe, Plaxton 1998, see `bounds`; from memory)."""
