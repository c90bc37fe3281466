"""What workers were in the middle of when levels last came: intervals that have not ended."""

from __future__ import annotations

from typing import NamedTuple

from idlehands.wire import NONE


class OpenInterval(NamedTuple):
    """What a worker was in the middle of.

    ``what`` is "task", "wait", "searching", "parked" or "stay" (it belongs to its pool).
    until_ns: when its worker's thread was gone, -1 where it is there.
    """

    what: str
    began_ns: int
    task: int = NONE
    kind: int = NONE
    spawned_ns: int = NONE
    taken_from: int = NONE
    on_task: int = NONE
    spawned_by: int = NONE
    until_ns: int = NONE


def open_intervals(rows: list[list[int]], until_ns: int = NONE) -> list[OpenInterval]:
    """Return what a worker was in the middle of, from its rows of a ``levels`` frame.

    `until_ns`: when its thread was gone, -1 where it is there.
    """
    intervals = []
    for row in rows:
        if row[0] == 0:
            task, _parent, kind, spawned, by, _size, started, taken = row[1:9]
            intervals.append(
                OpenInterval("task", started, task, kind, spawned, taken, spawned_by=by)
            )
        elif row[0] == 1:
            intervals.append(OpenInterval("wait", row[1], on_task=row[2]))
        elif row[0] == 2:
            intervals.append(OpenInterval("parked" if row[2] else "searching", row[1]))
        elif row[0] == 3:
            intervals.append(OpenInterval("stay", row[1]))
    if until_ns != NONE:
        intervals = [interval._replace(until_ns=until_ns) for interval in intervals]
    return intervals
