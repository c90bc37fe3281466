"""What an answer takes for granted, in one sentence each. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ...model import changes as ask

if TYPE_CHECKING:
    from collections.abc import Iterator

    from .recording import Recording


def assumptions(changes: ask.Changes, made: Recording) -> tuple[str, ...]:
    """Return what the simulation of some changes assumes."""
    return tuple(sentence for change in changes for sentence in _of(change, made))


def _of(change: ask.Change, made: Recording) -> Iterator[str]:
    if isinstance(change, ask.Workers):
        yield "tasks themselves take no longer with other numbers of workers"
    elif isinstance(change, ask.NoInterpreterLock):
        yield "tasks and results cost no more to hand over than now"
        yield f"the tasks run on {made.scenario.machine.cores:g} cores, as now"
    elif isinstance(change, ask.Cores):
        yield "all of these cores are free"
    elif isinstance(change, ask.Grain):
        yield "each piece costs the same dispatch as now, and the work itself stays"
    elif isinstance(change, ask.SplitLock):
        yield "all kinds that wait for locks wait for the same one"
    elif isinstance(change, ask.OnePool):
        yield "every worker can run every task"
    elif isinstance(change, ask.HandInAtOnce):
        yield "no task needs the result of another batch"
    elif isinstance(change, ask.InFlight):
        yield "there are always more tasks to hand in"
    elif isinstance(change, ask.WakeAtOnce):
        yield "a wake takes no time"
