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

from collections.abc import Set
from typing import Any

from ._tables import PARKED as STATE_PARKED

BETWEEN, SEARCHING, PARKED, RUNNING = "between tasks", "searching", "parked", "in a task"
ACTIVITIES = (BETWEEN, SEARCHING, PARKED, RUNNING)
"""What a worker can be doing, by its calls so far. (No enum: every job would import one more.)"""


class Call:
    """One call of a worker's probe.

    Attributes: name, before (the activities in which it is allowed), after (the activity that it
    leads to, empty where the activity stays), opens (how many waits it opens; -1 for the call that
    ends the innermost one).
    """

    __slots__ = ("after", "before", "name", "opens")

    def __init__(self, name: str, before: Set[str], after: str = "", opens: int = 0) -> None:
        self.name = name
        self.before = before
        self.after = after
        self.opens = opens

    def is_allowed(self, activity: str, open_waits: int) -> bool:
        """Return whether a worker may make the call now."""
        return activity in self.before and open_waits + self.opens >= 0


ANY = frozenset(ACTIVITIES)
OUTSIDE_A_TASK = ANY - {RUNNING}
IN_A_TASK = frozenset({RUNNING})

CALLS = {
    call.name: call
    for call in (
        Call("running", OUTSIDE_A_TASK, RUNNING),
        Call("finished", IN_A_TASK, BETWEEN),
        Call("raised", IN_A_TASK, BETWEEN),
        Call("waiting", IN_A_TASK, BETWEEN, opens=1),
        Call("resumed", OUTSIDE_A_TASK, RUNNING, opens=-1),
        Call("searching", frozenset({BETWEEN, SEARCHING}), SEARCHING),
        Call("parked", frozenset({BETWEEN, SEARCHING}), PARKED),
        Call("unparked", frozenset({PARKED}), BETWEEN),
        Call("spawned", ANY),
        Call("adopted", ANY),
        Call("missed", ANY),
        Call("stolen", ANY),
        Call("lost_race", ANY),
        Call("contended", ANY),
    )
}
"""The protocol, by the name of the call."""


def activity_of(worker: Any) -> str:
    """Return what a `WorkerProbe` is doing."""
    if worker.token is not None:
        return RUNNING
    interval = worker.idle_interval
    if interval is None:
        return BETWEEN
    return PARKED if interval[0] == STATE_PARKED else SEARCHING


def refusal(name: str, worker: Any) -> str:
    """Return why a worker may not make a call now, as the message of a misuse."""
    call, activity = CALLS[name], activity_of(worker)
    if activity in call.before and call.opens < 0:
        return f"{name}() without waiting()"
    allowed = ", ".join(one for one in ACTIVITIES if one in call.before)
    return f"{name}() while {activity}; it is allowed while: {allowed}"
