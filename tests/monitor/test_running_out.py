"""When patience and memory run out: the sentences, and from samples of memory to seconds."""

from __future__ import annotations

from dataclasses import replace

import pytest
from finding_cases import a_host
from readings import reading
from whatifs import open_pool

from idlehands_monitor.analysis.host.host import memory_lasts_s
from idlehands_monitor.analysis.verdicts.causes import caused
from idlehands_monitor.analysis.verdicts.running_out import backlog_runs_out, memory_runs_out

MIB = 2**20


def pool(queued=300, per_s=10.0, memory_lasts_s=None):
    (held,) = reading().pools
    tasks = replace(held.tasks, queued=queued, per_s=per_s)
    return replace(held, tasks=tasks, memory_lasts_s=memory_lasts_s, findings=())


def test_a_backlog_says_how_long_a_task_waits_now_and_when_it_will_wait_for_a_minute():
    # 300 queued at 10 a second wait for 30 s; 300 more, at 2 a second, come in 150 s.
    assert backlog_runs_out(pool(), 2.0) == (
        "; a task that comes now waits for about 30 s, in 2.5 minutes one will wait for 60 s"
    )


def test_a_backlog_that_hurts_already_says_only_how_long_a_task_waits():
    assert backlog_runs_out(pool(queued=1200), 2.0) == (
        "; a task that comes now waits for about 2 minutes"
    )


def test_a_pool_that_ends_no_task_says_nothing_of_waits():
    assert backlog_runs_out(pool(per_s=0.0), 2.0) == ""


def test_memory_that_grows_beside_a_backlog_is_said_too():
    assert backlog_runs_out(pool(memory_lasts_s=540.0), 2.0).endswith(
        "; at this growth no memory is left in about 9 minutes"
    )


@pytest.mark.parametrize(
    ("lasts_s", "said"),
    [(None, ""), (30.0, "30 s"), (600.0, "10 minutes"), (7200.0, "2 hours"), (1e6, "")],
)
def test_when_no_memory_is_left_is_said_up_to_a_day_ahead(lasts_s, said):
    assert memory_runs_out(lasts_s).endswith(said)
    assert bool(memory_runs_out(lasts_s)) == bool(said)


def test_a_growing_backlog_says_when_it_hurts():
    found = caused(pool(), open_pool()).findings
    (backlog,) = (one for one in found if one.code == "growing-backlog")
    assert "grows by 1.75 tasks each second; a task that comes now waits for" in backlog.sentence


def growing(mib_per_minute, left_mib, *, steady=True):
    return a_host(
        growth_bytes_per_minute=mib_per_minute * MIB,
        growth_is_steady=steady,
        memory_left_bytes=None if left_mib is None else left_mib * MIB,
    )


def test_memory_lasts_as_long_as_all_growing_processes_need_for_what_is_left():
    assert memory_lasts_s((growing(10, 400), growing(20, 300))) == pytest.approx(600)


@pytest.mark.parametrize(
    "host", [(), (growing(10, None),), (growing(10, 400, steady=False),), (growing(-5, 400),)]
)
def test_where_nothing_grows_or_what_is_left_is_not_known_memory_lasts_for_an_unknown_time(host):
    assert memory_lasts_s(host) is None
