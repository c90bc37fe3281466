"""The worker protocol: the recorder and the documentation keep to the table in `_protocol`."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

import pytest

from idlehands import ProbeMisuse
from idlehands._off import OffWorkerProbe
from idlehands._protocol import (
    ACTIVITIES,
    CALLS,
    PARKED,
    RUNNING,
    SEARCHING,
    activity_of,
    refusal,
)
from idlehands._recorder import WorkerProbe
from idlehands._thief import Thief

PAGE = Path(__file__).resolve().parents[2] / "docs" / "hand-written-pools.md"
STATES = list(itertools.product(ACTIVITIES, (0, 1, 2)))
"""Every activity, outside of any wait and in one or two."""
NOT_OF_THE_PROTOCOL = {
    "attempts",
    "bind",
    "failed",
    "met",
    "misused",
    "no_such_victim",
    "rings",
    "weigh",
}
"""Methods that are no calls of the protocol: any thread makes them, or only the probe itself."""


def brought_to(worker: WorkerProbe, activity: str, waits: int) -> None:
    """Have a new worker do something, inside so many waits."""
    for _ in range(waits):
        worker.running(worker.spawned("sow"))
        worker.waiting()
    if activity == RUNNING:
        worker.running(worker.spawned("reap"))
    elif activity == SEARCHING:
        worker.searching()
    elif activity == PARKED:
        worker.parked()
    assert activity_of(worker) == activity


def make(call: str, worker: WorkerProbe, other) -> None:
    """Make a call with arguments that are right."""
    if call == "running":
        worker.running(worker.spawned("mow"))
    elif call == "spawned":
        worker.spawned("mow")
    elif call == "adopted":
        worker.adopted(other.spawned("mow"), other)
    elif call in ("missed", "stolen", "lost_race", "contended"):
        getattr(worker, call)(1)
    elif call == "raised":
        worker.raised(KeyError("rust"))
    else:
        getattr(worker, call)()


@pytest.mark.parametrize("call", CALLS)
@pytest.mark.parametrize(("activity", "waits"), STATES)
def test_a_call_leads_to_the_state_in_the_table_or_is_misuse(pool, call, activity, waits):
    worker, other = pool.worker(0), type(pool)("meadow", 1, "work-stealing", 1)
    brought_to(worker, activity, waits)
    if CALLS[call].is_allowed(activity, waits):
        make(call, worker, other)
        assert activity_of(worker) == (CALLS[call].after or activity)
        assert len(worker.stack) == waits + CALLS[call].opens
    else:
        message = refusal(call, worker)
        with pytest.raises(ProbeMisuse, match=re.escape(message)):
            make(call, worker, other)
        assert activity_of(worker) == activity
        assert len(worker.stack) == waits


def test_every_public_method_of_a_worker_is_in_the_table_or_no_call():
    methods = {
        name
        for cls in (WorkerProbe, Thief)
        for name, value in vars(cls).items()
        if callable(value) and not name.startswith("_")
    }
    assert methods - NOT_OF_THE_PROTOCOL == set(CALLS)


def test_a_worker_whose_probe_is_off_has_every_call_of_the_table():
    assert set(CALLS) <= set(vars(OffWorkerProbe))


def table_of_calls() -> list[str]:
    """Return the table of the page as the protocol has it, line by line."""
    columns = list(ACTIVITIES)
    lines = [
        "| call | " + " | ".join(columns) + " |",
        "|---" * (1 + len(columns)) + "|",
    ]
    for call in CALLS.values():
        cells = []
        for activity in columns:
            after = call.after or activity
            waits = {1: ", one more wait", -1: ", one wait fewer", 0: ""}[call.opens]
            cells.append(after + waits if activity in call.before else "misuse")
        lines.append(f"| `{call.name}` | " + " | ".join(cells) + " |")
    return lines


def test_the_table_on_the_page_of_hand_written_pools_is_the_protocol():
    text = PAGE.read_text(encoding="utf-8").splitlines()
    assert [line for line in text if line.startswith("|")] == table_of_calls()
