"""A run as a program: what each task does, step by step, whichever worker runs it, and when.

Pure. A task comes by being spawned in a step of another one, at its own time from outside, when the
tasks that it waits for have ended (a graph of precedence), or when so many tasks from outside have
ended (a stream with so many in flight, a batch after a batch).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum


class Do(IntEnum):
    """What a step of a task does. Its number is nanoseconds, or the task that it is about.

    CORE: run on a core. LOCKED: run on a core and hold the interpreter lock. OFF: be blocked for
    its own time. SPAWN: hand a task in. JOIN: wait until a task has ended. ACQUIRE, RELEASE: take
    and give back a lock of the program's, by its number; who waits longest gets it next.
    """

    CORE = 0
    LOCKED = 1
    OFF = 2
    SPAWN = 3
    JOIN = 4
    ACQUIRE = 5
    RELEASE = 6


Step = tuple[int, int]
"""(one of `Do`; nanoseconds, a task's number, or a lock's)."""


@dataclass(frozen=True, slots=True)
class Program:
    """Tasks 0 to n − 1. steps: of each task, in order.

    comes_ns: when a task comes from outside, by its number. after: the tasks that must have ended
    before a task comes, by its number; with `comes_ns` too it comes at the later of the two. gates:
    (count, ns): a task comes so many ns after so many tasks from outside of its team have ended. A
    task in none of these is spawned by another one. teams: which team runs each task; empty for
    team 0. homes: in whose deque of its team (worker 0 on) a task from outside is put; in the inbox
    for all others. Such a task wakes that worker if it is parked, and no other.
    """

    steps: tuple[tuple[Step, ...], ...]
    comes_ns: dict[int, int] = field(default_factory=dict)
    after: dict[int, tuple[int, ...]] = field(default_factory=dict)
    gates: dict[int, tuple[int, int]] = field(default_factory=dict)
    teams: tuple[int, ...] = ()
    homes: dict[int, int] = field(default_factory=dict)

    @property
    def work_ns(self) -> int:
        """T1: the time of all steps that take time."""
        return sum(number for task in self.steps for do, number in task if do <= Do.OFF)

    def from_outside(self) -> list[int]:
        """Return the tasks that no task spawns, in the order of their numbers."""
        return sorted({*self.comes_ns, *self.after, *self.gates})


def independent(lengths_ns: list[int], comes_ns: list[int] | None = None) -> Program:
    """Return tasks that need a core for so long and nothing else; all come at 0 unless said."""
    comes = comes_ns if comes_ns is not None else [0] * len(lengths_ns)
    steps = tuple(((int(Do.CORE), length),) for length in lengths_ns)
    return Program(steps, dict(enumerate(comes)))
