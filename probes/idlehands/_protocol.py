"""The worker protocol: what a worker can be doing, and which calls of its probe are allowed then.

This table is the one statement of the protocol. `_recorder` takes the messages of misuse from it.
`tests/probes/test_worker_protocol.py` makes every call in every state and compares what the
recorder does with the table, and compares the table in `docs/hand-written-pools.md` with it. The
recorder checks the conditions in lines of its own, because its calls must cost as little as they
can.

Waits nest: a task that waits leaves its worker free to search, park and run other tasks, and these
can wait in turn. So the number of open waits is counted beside the activity.
"""

from __future__ import annotations

from enum import Enum
from typing import Any, NamedTuple

from ._tables import PARKED, SEARCHING


class Activity(Enum):
    """What a worker is doing, by its calls so far."""

    BETWEEN = "between tasks"
    SEARCHING = "searching"
    PARKED = "parked"
    RUNNING = "in a task"


class Call(NamedTuple):
    """One call of a worker's probe.

    before: the activities in which it is allowed. after: the activity that it leads to, None where
    the activity stays. opens: how many waits it opens; -1 for the call that ends the innermost.
    """

    name: str
    before: frozenset[Activity]
    after: Activity | None = None
    opens: int = 0

    def is_allowed(self, activity: Activity, open_waits: int) -> bool:
        """Return whether a worker may make the call now."""
        return activity in self.before and open_waits + self.opens >= 0


ANY = frozenset(Activity)
OUTSIDE_A_TASK = ANY - {Activity.RUNNING}
IN_A_TASK = frozenset({Activity.RUNNING})

CALLS = {
    call.name: call
    for call in (
        Call("running", OUTSIDE_A_TASK, Activity.RUNNING),
        Call("finished", IN_A_TASK, Activity.BETWEEN),
        Call("waiting", IN_A_TASK, Activity.BETWEEN, opens=1),
        Call("resumed", OUTSIDE_A_TASK, Activity.RUNNING, opens=-1),
        Call("searching", frozenset({Activity.BETWEEN, Activity.SEARCHING}), Activity.SEARCHING),
        Call("parked", frozenset({Activity.BETWEEN, Activity.SEARCHING}), Activity.PARKED),
        Call("unparked", frozenset({Activity.PARKED}), Activity.BETWEEN),
        Call("spawned", ANY),
        Call("adopted", ANY),
        Call("missed", ANY),
        Call("stolen", ANY),
        Call("lost_race", ANY),
        Call("contended", ANY),
    )
}
"""The protocol, by the name of the call."""


def activity_of(worker: Any) -> Activity:
    """Return what a `WorkerProbe` is doing."""
    if worker.token is not None:
        return Activity.RUNNING
    interval = worker.idle_interval
    if interval is None:
        return Activity.BETWEEN
    return {SEARCHING: Activity.SEARCHING, PARKED: Activity.PARKED}[interval[0]]


def refusal(name: str, worker: Any) -> str:
    """Return why a worker may not make a call now, as the message of a misuse."""
    call, activity = CALLS[name], activity_of(worker)
    if activity in call.before and call.opens < 0:
        return f"{name}() without waiting()"
    allowed = ", ".join(one.value for one in Activity if one in call.before)
    return f"{name}() while {activity.value}; it is allowed while: {allowed}"
