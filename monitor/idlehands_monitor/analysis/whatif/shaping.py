"""Programs with other steps: which time on a core needs the interpreter lock, and who holds a lock.

Pure. Every function returns a new program; tasks that do not change share their steps.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

from .program import Do, Program

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator

    from .program import Step

Steps = tuple["Step", ...]


def reshaped(program: Program, change: Callable[[int, Steps], Steps]) -> Program:
    """Return a program whose tasks' steps are changed, each by its number."""
    return replace(
        program, steps=tuple(change(task, steps) for task, steps in enumerate(program.steps))
    )


LONG_NS = 5_000_000
"""A longer step is divided; of shorter ones a part needs the interpreter lock all along, so that
there are no more events than before. About as long as one thread may keep the lock by default."""


def with_interpreter_lock(program: Program, share: float) -> Program:
    """Let that share of all time on a core need the interpreter lock."""
    if share <= 0:
        return program
    marking = _Marking(share)
    return reshaped(program, lambda _, steps: tuple(marking.locked(steps)))


class _Marking:
    """Marks steps one after the other, so that the share holds over any run of them."""

    def __init__(self, share: float) -> None:
        self._share = share
        self._owed = 0.0

    def locked(self, steps: Steps) -> Iterator[Step]:
        for do, number in steps:
            if do != Do.CORE:
                yield do, number
            elif number > LONG_NS and self._share < 1:
                held = round(number * self._share)
                yield from ((int(Do.LOCKED), held), (int(Do.CORE), number - held))
            else:
                self._owed += number * self._share
                needs = self._owed >= number / 2
                self._owed -= number if needs else 0
                yield int(Do.LOCKED if needs else Do.CORE), number


def with_lock(program: Program, tasks: Collection[int], share: float, lock: int = 0) -> Program:
    """Let some tasks hold a lock for `share` of their own time."""
    if share <= 0:
        return program
    chosen = frozenset(tasks)
    return reshaped(
        program, lambda task, steps: _holding(steps, share, lock) if task in chosen else steps
    )


def _holding(steps: Steps, share: float, lock: int) -> Steps:
    """Return steps that hold a lock; a step is divided where that part begins.

    A lock is not held over a spawn or a join: it is held in the last part of what takes longest
    between them.
    """
    begin, end = _longest(steps)
    left = round(share * sum(number for do, number in steps if do <= Do.OFF))
    held: list[Step] = []
    before = list(steps[begin:end])
    while before and left > 0:
        do, number = before.pop()
        part = min(number, left)
        held.append((do, part))
        left -= part
        if part < number:
            before.append((do, number - part))
    if not held:
        return steps
    inside = ((int(Do.ACQUIRE), lock), *reversed(held), (int(Do.RELEASE), lock))
    return (*steps[:begin], *before, *inside, *steps[end:])


def _longest(steps: Steps) -> tuple[int, int]:
    """Return from where to where a task's steps take longest without any that is not its time."""
    cuts = [-1, *(place for place, (do, _) in enumerate(steps) if do > Do.OFF), len(steps)]
    return max(
        ((begin + 1, end) for begin, end in pairwise(cuts)),
        key=lambda ends: sum(number for _, number in steps[slice(*ends)]),
    )


def scaled(steps: Steps, factor: float, does: Collection[Do]) -> Steps:
    """Return steps of which those in `does` take so many times as long."""
    return tuple((do, round(number * factor) if do in does else number) for do, number in steps)


def with_waits(program: Program, factor: float) -> Program:
    """Let all waits of the tasks' own take so many times as long."""
    return reshaped(program, lambda _, steps: scaled(steps, factor, frozenset({Do.OFF})))
