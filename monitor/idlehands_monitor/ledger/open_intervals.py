"""Open intervals: what workers were doing at the last levels frame, not yet ended. Pure."""

from __future__ import annotations

from typing import NamedTuple

from idlehands.wire import NONE


class OpenInterval(NamedTuple):
    """One interval of a worker that has not ended.

    ``what`` is "task", "wait", "searching", "parked" or "lifetime" (it belongs to its pool).
    until_ns: when the worker's thread had ended, -1 where it runs.
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
    """Return the open intervals of a worker, from its rows of a ``levels`` frame.

    `until_ns`: when its thread had ended, -1 where it runs.
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
            intervals.append(OpenInterval("lifetime", row[1]))
    if until_ns != NONE:
        intervals = [interval._replace(until_ns=until_ns) for interval in intervals]
    return intervals
