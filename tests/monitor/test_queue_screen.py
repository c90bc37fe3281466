"""What is shown of a pool whose workers share one queue, and the queue's length over time."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from readings import reading
from test_dashboard import drive, screen_text, shown
from test_shared_queue import shared_ledger

from idlehands_monitor.ledger.queue_length import mean_lengths
from idlehands_monitor.model.tasks import HandOverReading, KindReading
from idlehands_monitor.views.sections.tasks import kinds_table
from idlehands_monitor.views.terminal.drawing import doing_now
from idlehands_monitor.views.terminal.header import flow, join_fitting
from idlehands_monitor.views.terminal.queue_view import length_columns, queue_rows
from idlehands_monitor.views.text import explain

NORTH = "kilns.firing.fire_the_large_glazed_tiles_of_the_north_kiln"
SOUTH = "kilns.firing.fire_the_large_glazed_tiles_of_the_south_kiln"


def one_queue(**changes):
    """Return a reading of a pool whose workers share one queue and in which all tasks fail."""
    base = reading()
    pool = base.pools[0]
    kinds = (
        KindReading(NORTH, 500, 3.0, 0.006, 0, 1.0, 2.0, failed=500, calls=12_500),
        KindReading(SOUTH, 252, 1.0, 0.004, 0, 0.5, 0.5, failed=252, calls=252),
    )
    tasks = replace(pool.tasks, finished=752, failed=752, kinds=kinds, calls=12_752, queued=12)
    at_work = {"depth": -1, "state": "working", "for_s": 7.5}
    workers = tuple(
        replace(worker, doing=(NORTH, SOUTH)[worker.index % 2], **at_work)
        for worker in pool.workers
    )
    outside = HandOverReading(((200, 200, 200, 152), *[(0,) * 4] * 4))
    known = {
        "kind": "thread pool",
        "stealing": None,
        "workers": workers,
        "tasks": tasks,
        "hand_overs": outside,
        "queue_lengths": (0.0, 4.0, 12.0, math.nan, 8.0),
    }
    return replace(base, pools=(replace(pool, **{**known, **changes}),))


def test_a_screen_of_80_by_24_says_that_every_task_failed():
    async def look(app, pilot):
        await shown(app, pilot, "752 failed (100 %)")

    drive(look, one_queue(), (80, 24))


@pytest.mark.parametrize("size", [(80, 24), (120, 36), (200, 60)])
def test_a_shared_queue_has_its_length_its_outcomes_and_its_calls_on_the_screen(size):
    async def look(app, pilot):
        await shown(app, pilot, "calls per task")
        text = screen_text(app)
        for fragment in ("queue length", "752 finished", "17 calls per task", "working", "blocked"):
            assert fragment in text
        for fragment in ("deque", "stolen", "submitter", "thief"):
            assert fragment not in text

    drive(look, one_queue(), size)


def test_the_dashboard_of_a_shared_queue_cuts_two_kinds_so_that_they_differ():
    async def look(app, pilot):
        await shown(app, pilot, "calls per task")
        text = screen_text(app)
        assert "nort" in text
        assert "sout" in text

    drive(look, one_queue(), (80, 24))


@pytest.mark.parametrize("cells", [16, 20, 31, 44])
@pytest.mark.parametrize("state", ["working", "waiting"])
def test_how_long_a_worker_has_been_at_it_never_falls_off(cells, state):
    worker = replace(one_queue().pools[0].workers[0], state=state)
    doing = doing_now(worker, cells, (NORTH, SOUTH))
    assert "7.5 s" in doing
    assert len(doing) <= cells


def test_s_shows_how_tasks_flow_and_no_promise_that_does_not_apply():
    async def look(app, pilot):
        await pilot.press("s")
        await shown(app, pilot, "How tasks flow through scripted")
        text = screen_text(app)
        assert "Queue length" in text
        assert "unknown" not in text

    drive(look, one_queue(promises=()))


def test_hand_overs_of_two_submitters_are_in_the_report_and_those_of_one_are_not():
    assert "Hand-overs" not in explain(one_queue())
    nested = HandOverReading(((200, 200, 200, 100), (52, 0, 0, 0), *[(0,) * 4] * 3))
    assert "Hand-overs" in explain(one_queue(hand_overs=nested))


def test_a_report_says_how_long_the_queue_was_and_how_many_calls_a_batch_held():
    written = explain(one_queue())
    assert "Queue length, the mean of 1.0 s a bar: _▃█ ▅ up to 12 tasks; 12 queued" in written
    assert "s, 12.8k calls), " in written
    table = kinds_table(one_queue().pools[0])
    assert [column.name for column in table.columns[:4]] == ["kind", "finished", "calls", "failed"]
    assert table.rows[0][:4] == (NORTH, "500", "12.5k", "500")


def test_failures_come_before_what_a_narrow_screen_leaves_out():
    facts = flow(one_queue().pools[0])
    assert "752 failed (100 %)" in join_fitting(facts, 60)


def test_a_fact_that_does_not_fit_leaves_room_for_a_shorter_one():
    assert join_fitting(["one", "far too long to fit", "two"], 12).strip() == "one · two"


def test_columns_of_lengths_keep_their_scale_and_leave_unknown_ones_blank():
    rows = length_columns([16, 8, math.nan, 1], 20, 2)
    top, bottom = ("".join(text for text, _ in row).rstrip() for row in rows)
    assert top == "   16 █"
    assert bottom == "    0 ██ ▁"


@pytest.mark.parametrize(("cells", "lines"), [(20, 6), (29, 11), (64, 30)])
def test_the_queues_part_of_the_screen_stays_in_its_room(cells, lines):
    rows = queue_rows(one_queue().pools[0], cells, lines)
    assert len(rows) <= lines
    assert all(sum(len(text) for text, _ in row) <= cells for row in rows)


# -- the length over time --------------------------------------------------------------------------


def slow_mean(tasks, low, high):
    """Return the mean number queued in [low, high), a nanosecond after the other."""
    return sum(
        sum(spawned <= moment < started for _, spawned, started, _ in tasks)
        for moment in range(low, high)
    ) / (high - low)


TASKS = st.lists(
    st.tuples(st.integers(0, 40), st.integers(0, 20), st.integers(1, 10)), min_size=1, max_size=12
)


@given(TASKS, st.integers(1, 5))
def test_the_mean_length_is_that_of_a_slow_walk_through_every_moment(spans, slices):
    tasks = [
        (0, spawned, spawned + waited, spawned + waited + ran) for spawned, waited, ran in spans
    ]
    tasks.sort(key=lambda task: task[3])
    pool = shared_ledger(tasks, [(0, 0, 100)], 100).pools[0]
    edges = [60 * part // slices for part in range(slices + 1)]
    expected = [slow_mean(tasks, low, high) for low, high in zip(edges, edges[1:], strict=False)]
    assert mean_lengths(pool, edges) == pytest.approx(tuple(expected))


def test_a_stretch_in_which_tasks_were_thinned_has_no_queue_length():
    tasks = [(0, 10, 20, 30)]
    pool = shared_ledger(tasks, [(0, 0, 100)], 100, steps=[(50, 2)]).pools[0]
    first, second = mean_lengths(pool, [0, 40, 100])
    assert first == pytest.approx(0.25)
    assert math.isnan(second)
