"""The changes that can be asked about: one type each, and what each of them is called.

Data only; `analysis.whatif.changing` makes them to a recorded run. Several changes in a tuple are
made together.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, ClassVar

from .whatif import ChangeReading

if TYPE_CHECKING:
    from .whatif import Arrivals

Facts = tuple[tuple[str, "int | float | str | bool"], ...]


@dataclass(frozen=True, slots=True)
class Change:
    """One change to a pool, its tasks, its machine or how work comes.

    key, words: of the change in JSON, and as an order without a full stop; fields of the change and
    `shorter` stand in the words in braces.
    """

    key: ClassVar[str]
    words: ClassVar[str]

    @property
    def facts(self) -> Facts:
        """What is set, as in JSON: the only field; True for a change without one."""
        return ((self.key, next(iter(self._fields.values()), True)),)

    @property
    def sentence(self) -> str:
        """The change as an order, without a full stop."""
        return self.words.format(**self._fields, shorter=_shorter(self._fields.get("factor", 1)))

    @property
    def _fields(self) -> dict[str, Any]:
        return {field.name: getattr(self, field.name) for field in fields(self)}


def _shorter(factor: float) -> str:
    percent = round(abs(factor - 1) * 100, 3)
    return f"{percent:g} % {'shorter' if factor <= 1 else 'longer'}"


@dataclass(frozen=True, slots=True)
class Workers(Change):
    """The pool has so many workers."""

    key = "workers"
    number: int

    @property
    def sentence(self) -> str:
        """The change as an order, without a full stop."""
        return f"use {self.number} worker{'' if self.number == 1 else 's'}"


@dataclass(frozen=True, slots=True)
class Cores(Change):
    """The pool can use so many cores."""

    key = "cores"
    number: float

    @property
    def sentence(self) -> str:
        """The change as an order, without a full stop."""
        return f"run on {self.number:g} core{'' if self.number == 1 else 's'}"


@dataclass(frozen=True, slots=True)
class NoInterpreterLock(Change):
    """Workers no longer share an interpreter lock: processes, or a free-threaded build."""

    key = "interpreter_lock"
    words = "run the tasks in processes, or on a free-threaded build"

    @property
    def facts(self) -> Facts:
        """What is set, as in JSON."""
        return ((self.key, False),)


@dataclass(frozen=True, slots=True)
class Grain(Change):
    """Pieces of work are so many times as large as they were."""

    key = "grain"
    factor: float

    @property
    def sentence(self) -> str:
        """The change as an order, without a full stop."""
        if self.factor > 1:
            return f"make pieces {self.factor:g} times as large"
        return f"split pieces into {1 / self.factor:g}"


@dataclass(frozen=True, slots=True)
class KindTime(Change):
    """Tasks of a kind take so many times as long, all their own time alike."""

    words = "make tasks of {kind} {shorter}"
    kind: str
    factor: float

    @property
    def facts(self) -> Facts:
        """What is set, as in JSON."""
        return (("kind", self.kind), ("time", self.factor))


@dataclass(frozen=True, slots=True)
class KindWait(Change):
    """Tasks of a kind are blocked for their own time so many times as long."""

    words = "make the waits of {kind} {shorter}"
    kind: str
    factor: float

    @property
    def facts(self) -> Facts:
        """What is set, as in JSON."""
        return (("kind", self.kind), ("wait", self.factor))


@dataclass(frozen=True, slots=True)
class AsBefore(Change):
    """Tasks of a kind take as long as before they got slower: their time `factor` times as long.

    since_ns: when they did. before_s, after_s: their median run times before and after.
    """

    words = "let tasks of {kind} take as long as they did before they got slower"
    kind: str
    factor: float
    since_ns: int
    before_s: float
    after_s: float

    @property
    def facts(self) -> Facts:
        """What is set, as in JSON."""
        return (
            ("as_before", self.kind),
            ("time", self.factor),
            ("since_ns", self.since_ns),
            ("before_s", self.before_s),
            ("after_s", self.after_s),
        )


@dataclass(frozen=True, slots=True)
class SplitLock(Change):
    """The lock for which tasks wait is split into so many; 0: tasks need none."""

    key = "locks"
    parts: int = 0

    @property
    def sentence(self) -> str:
        """The change as an order, without a full stop."""
        if self.parts:
            return f"split the lock that tasks wait for into {self.parts}"
        return "let tasks do without the lock that they wait for"


@dataclass(frozen=True, slots=True)
class WakeAtOnce(Change):
    """Each hand-in wakes a parked worker, which runs at once."""

    key = "wake_at_once"
    words = "wake a parked worker at once for each task"


@dataclass(frozen=True, slots=True)
class ParkWhenEmpty(Change):
    """Workers park only when nothing is queued in their pool."""

    key = "park_when_empty"
    words = "let workers park only when nothing is queued in the whole pool"


@dataclass(frozen=True, slots=True)
class EvenVictims(Change):
    """Thieves choose their victims at random, each alike."""

    key = "even_victims"
    words = "let thieves choose victims at random"


@dataclass(frozen=True, slots=True)
class RightEnds(Change):
    """Owners take their newest task, thieves the oldest."""

    key = "right_ends"
    words = "let owners take the newest task and thieves the oldest"


@dataclass(frozen=True, slots=True)
class OnePool(Change):
    """The pools of the job become one, with the workers of all."""

    key = "one_pool"
    words = "make one pool of all, with the workers of all"


@dataclass(frozen=True, slots=True)
class HandInAtOnce(Change):
    """All tasks are handed in at first; no batch waits for the slowest task of the one before."""

    key = "hand_in_at_once"
    words = "hand in all tasks at first: no batch waits for another one"


@dataclass(frozen=True, slots=True)
class HandOver(Change):
    """To hand a task over takes so many times as long."""

    key = "hand_over"
    words = "make hand-overs {shorter} (shared memory instead of copies)"
    factor: float


@dataclass(frozen=True, slots=True)
class Undisturbed(Change):
    """No other process wants the cores."""

    key = "undisturbed"
    words = "keep other processes off these cores"


@dataclass(frozen=True, slots=True)
class OnlyWorkers(Change):
    """No thread of the job wants the cores but its workers."""

    key = "only_workers"
    words = "keep the job's other threads off these cores"


@dataclass(frozen=True, slots=True)
class HandInFaster(Change):
    """Whoever hands tasks in takes so many times as long from one to the next."""

    key = "hand_in"
    words = "make the time between two hand-ins {shorter}"
    factor: float


@dataclass(frozen=True, slots=True)
class InFlight(Change):
    """So many times as many tasks of a closed stream are in flight."""

    key = "in_flight"
    words = "keep {factor:g} times as many tasks in flight"
    factor: float


Changes = tuple[Change, ...]
"""Changes that are made together."""


def together(changes: Changes) -> ChangeReading:
    """Return what several changes are called when they are made together."""
    facts = tuple(fact for change in changes for fact in change.facts)
    return ChangeReading(facts, " and ".join(change.sentence for change in changes))


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked. changes: each answered by itself; empty asks about the whole list.

    workers: the range of a curve, each number with all of `changes`; None where none was asked for.
    arrivals: how work comes, None recognises it. pool: the name of the pool, "" for all. p95_s: the
    wanted 95th percentile from hand-in to end, None for none. seeds: simulated runs for an answer,
    None for as many as the number of tasks allows. most_tasks: the most tasks that are simulated,
    the last of the run; None for as many as there is time for.
    """

    changes: tuple[Changes, ...] = ()
    workers: tuple[int, ...] = ()
    arrivals: Arrivals | None = None
    pool: str = ""
    p95_s: float | None = None
    seeds: int | None = None
    most_tasks: int | None = None
