"""What an answer takes for granted, in one sentence each. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ...model import changes as ask

if TYPE_CHECKING:
    from .recording import Recording


ASSUMES: dict[type[ask.Change], tuple[str, ...]] = {
    ask.Workers: ("tasks themselves take no longer with other numbers of workers",),
    ask.NoInterpreterLock: (
        "tasks and results cost no more to hand over than now",
        "the tasks run on {cores:g} cores, as now",
    ),
    ask.Cores: ("all of these cores are free",),
    ask.Grain: ("each piece costs the same dispatch as now, and the work itself stays",),
    ask.AsBefore: ("what the tasks wait for can be as fast as it was",),
    ask.SplitLock: ("all kinds that wait for locks wait for the same one",),
    ask.OnePool: ("every worker can run every task",),
    ask.HandInAtOnce: ("no task needs the result of another batch",),
    ask.InFlight: ("there are always more tasks to hand in",),
    ask.WakeAtOnce: ("a wake takes no time",),
}


def assumptions(changes: ask.Changes, made: Recording) -> tuple[str, ...]:
    """Return what the simulation of some changes assumes."""
    cores = made.scenario.machine.cores
    return tuple(
        sentence.format(cores=cores)
        for change in changes
        for sentence in ASSUMES.get(type(change), ())
    )
