"""The ledger: what is kept of frames, what a loss does, what a bad frame does."""

from __future__ import annotations

import numpy as np
import pytest
from readings import source

from histories import History, Task, frames, ledger, levels_frame, names_frame
from idlehands.wire import LOOKS, TASKS, encode_columns
from idlehands_monitor.analysis.past import Past
from idlehands_monitor.analysis.read import read, read_pool, window_of
from idlehands_monitor.analysis.worker_time import recorded_stretches
from idlehands_monitor.ledger import Ledger, TableStore
from idlehands_monitor.ledger.pool import SNAPSHOT_BYTES, Hole


def task_rows(first, times, worker=0):
    rows = [
        (first + n, -1, 0, began, -1, -1, began, ended, -2, -1, 0)
        for n, (began, ended) in enumerate(times)
    ]
    return {
        "frame": "rows",
        "pool": 0,
        "table": "tasks",
        "worker": worker,
        "first": first,
        "rows": len(rows),
        "complete_ns": -1,
        "columns": encode_columns(TASKS.names, list(zip(*rows, strict=True))),
    }


def lost(rows, worker=0, table="tasks"):
    return {"frame": "lost", "pool": 0, "table": table, "worker": worker, "rows": rows}


def counters(worker, hits, empties, lost_races):
    return {
        "frame": "counters",
        "pool": 0,
        "worker": worker,
        **encode_columns(("hits", "empties", "lost_races"), (hits, empties, lost_races)),
    }


def held(*some):
    found = Ledger()
    for frame in some:
        found.apply(frame)
    return found


def looks(*cells):
    """Return the frame of looks since the last: (thief, victim, hits, empties, lost races)."""
    columns = encode_columns(LOOKS, list(zip(*cells, strict=True)))
    return {"frame": "counters", "pool": 0, "columns": columns}


def together(*frames):
    """Return one frame of all rows of some, as a probe sends those of many rings."""
    return {
        **{key: value for key, value in frames[0].items() if key not in ("worker", "first")},
        "parts": [[frame["worker"], frame["first"], frame["rows"]] for frame in frames],
        "rows": sum(frame["rows"] for frame in frames),
        "columns": {
            name: b"".join(frame["columns"][name] for frame in frames) for name in TASKS.names
        },
    }


def levels(at_ns, workers=1, **changes):
    return levels_frame(History(workers, at_ns), **changes)


def test_rows_lost_before_we_attached_only_move_the_beginning():
    pool = held(names_frame(1), lost(500), task_rows(500, [(70, 80), (80, 90)]), levels(100)).pools[
        0
    ]
    assert pool.lost_rows == 0
    assert pool.complete_from_ns == 80
    assert window_of(pool, None) == (80, 100)


def test_rows_lost_while_attached_are_counted_and_leave_a_hole():
    pool = held(
        names_frame(1),
        task_rows(0, [(0, 10), (10, 20)]),
        levels(25),
        lost(7),
        task_rows(9, [(60, 70)]),
        levels(100),
    ).pools[0]
    assert pool.lost_rows == 7
    assert [(hole.began_ns, hole.ended_ns) for hole in pool.holes] == [(20, 70)]
    assert list(recorded_stretches(pool, 0, 100)) == [(0, 20), (70, 100)]


def test_worker_time_leaves_holes_out_and_says_how_long_they_were():
    found = held(
        names_frame(1),
        task_rows(0, [(0, 10), (10, 20)]),
        levels(25),
        lost(7),
        task_rows(9, [(60, 70)]),
        levels(100),
    )
    reading = read_pool(found, found.pools[0], 0, 100)
    assert reading.time.total == 50
    assert reading.window_s == pytest.approx(50e-9)
    assert reading.unrecorded_s == pytest.approx(50e-9)


def test_a_jump_in_the_numbers_is_a_loss_even_without_a_frame_that_says_so():
    pool = held(
        names_frame(1), task_rows(0, [(0, 10)]), levels(20), task_rows(4, [(50, 60)]), levels(70)
    ).pools[0]
    assert pool.lost_rows == 3
    assert pool.written("tasks") == 5


def test_lost_spawn_stamps_make_no_hole_because_counts_stay_exact():
    pool = held(names_frame(1), levels(5), lost(900, -1, "spawns"), levels(20)).pools[0]
    assert pool.holes == []
    assert pool.written("spawns") == 900


def test_the_matrix_of_a_window_is_the_difference_of_two_snapshots():
    second = 1_000_000_000
    found = held(
        names_frame(2),
        counters(0, [0, 5], [0, 3], [0, 1]),
        levels(second, 2),
        counters(0, [0, 9], [0, 4], [0, 1]),
        levels(2 * second, 2),
    )
    counts = found.pools[0].counts_between(second, 2 * second)
    assert counts.hits.tolist() == [[0, 4], [0, 0]]
    assert counts.empties.tolist() == [[0, 1], [0, 0]]
    assert found.pools[0].counts_between(0, 2 * second).hits.tolist() == [[0, 9], [0, 0]]


def test_snapshots_stay_bounded_and_keep_the_first_and_the_last():
    second = 1_000_000_000
    some = [names_frame(2)]
    for n in range(2000):
        some += [counters(0, [0, n], [0, 0], [0, 0]), levels(n * second // 2, 2)]
    pool = held(*some).pools[0]
    assert len(pool.snapshots) <= 129
    assert pool.counts_between(0, 10**15).hits[0, 1] == 1999


@pytest.mark.parametrize(
    "bad",
    [
        {"frame": "rows", "pool": 0},
        {"frame": "names", "pool": 0, "workers": 10**9},
        {
            "frame": "counters",
            "pool": 0,
            "worker": 99,
            "hits": b"",
            "empties": b"",
            "lost_races": b"",
        },
        {"frame": "levels", "pool": 0, "at_ns": "soon"},
        {
            "frame": "rows",
            "pool": 0,
            "table": "tasks",
            "worker": 0,
            "first": 0,
            "rows": 3,
            "columns": {"task": b"\0" * 8},
        },
        {**together(task_rows(0, [(0, 5)])), "parts": [[0, 0, 2], [0, 2, -1]]},
        {**together(task_rows(0, [(0, 5)])), "parts": [[0, 0]]},
        looks((0, 1, 1, 0, 0)),
        looks((-1, 0, 1, 0, 0)),
        {"frame": "counters", "pool": 0, "columns": {"thief": b"", "victim": b"\0" * 8}},
        {"frame": "host", "at_ns": 5, "threads": {1: 2}},
    ],
)
def test_a_bad_frame_is_counted_and_the_rest_is_kept(bad):
    found = held(names_frame(1), bad, task_rows(0, [(0, 10)]), levels(20))
    assert found.skipped_frames == 1
    assert len(found.pools[0].tasks) == 1


def test_frames_of_unknown_kinds_and_tables_are_skipped_without_a_word():
    found = held(
        names_frame(1),
        {"frame": "weather"},
        {**task_rows(0, [(0, 1)]), "table": "dreams"},
        levels(20),
    )
    assert found.skipped_frames == 0
    assert len(found.pools[0].tasks) == 0


def test_rows_of_workers_that_the_pool_does_not_have_count_for_nothing():
    found = held(names_frame(1), task_rows(0, [(0, 10)], worker=7), levels(20))
    assert read_pool(found, found.pools[0], 0, 20).time.working == 0


def test_forgetting_keeps_what_ended_later():
    history = History(1, 100)
    history.tasks = [Task(0, 0, 0, 0, 40), Task(1, 0, 0, 40, 90)]
    pool = ledger(history).pools[0]
    pool.forget_before(50)
    assert 90 in pool.tasks["ended_ns"].tolist()
    assert pool.complete_from_ns == 50


def batches(store, count, rows=10, begin=0):
    """Append batches of tasks, of two workers in turn, that end at `begin` and one later each."""
    for first in range(begin, begin + count * rows, rows):
        columns = [list(range(first, first + rows))] * len(TASKS.names)
        store.append(encode_columns(TASKS.names, columns), [(first // rows % 2, rows)])
    return store


def test_a_table_that_forgets_holds_little_more_than_what_is_recent():
    store = TableStore(TASKS, "ended_ns")
    for turn in range(50):
        batches(store, 10, begin=100 * turn)
        store.forget_before(int(store["ended_ns"].max()) - 30)
        assert len(store) < 200


def test_rows_since_a_moment_are_found_without_leaving_any_out():
    store = batches(TableStore(TASKS, "ended_ns"), 20)
    for moment in range(-5, 210):
        first = store.since(moment)
        assert (store["ended_ns"][:first] < moment).all()
        assert first >= min(moment, 200) - 10


def test_the_last_row_of_each_worker_before_a_batch_is_found():
    store = batches(TableStore(TASKS, "ended_ns"), 5)
    assert store.last_before(30).tolist() == [29, 19]
    assert store.last_before(10).tolist() == [9]
    assert store.last_before(0).tolist() == []


def test_a_table_grows_past_its_first_capacity_and_keeps_every_row():
    store = TableStore(TASKS, "ended_ns")
    for first in range(0, 5000, 100):
        columns = [list(range(first, first + 100))] * len(TASKS.names)
        store.append(encode_columns(TASKS.names, columns), [(3, 100)])
    assert np.array_equal(store["task"], np.arange(5000))
    assert set(store["worker"].tolist()) == {3}


def test_what_ended_while_the_levels_were_read_is_counted_once():
    history = History(1, 100)
    history.tasks = [Task(0, 0, 0, 10, 105)]
    some = frames(history)
    still_open = [[0, 0, -1, 0, 0, -1, -1, 10, -2]]
    some[-1] = levels_frame(history, workers=[still_open])
    found = held(*some)
    assert read_pool(found, found.pools[0], 0, 100).time.working == 90


def test_an_open_task_counts_up_to_the_end_of_the_window():
    some = [names_frame(1), levels(100)]
    some[-1]["workers"] = [[[0, 0, -1, 0, 5, -1, -1, 30, -1]]]
    found = held(*some)
    reading = read_pool(found, found.pools[0], 0, 100)
    assert (reading.time.working, reading.time.dispatch) == (70, 30)
    assert reading.workers[0].state == "working"
    assert reading.tasks.running == 1


def test_snapshots_of_a_large_pool_stay_within_their_memory():
    workers, second = 256, 1_000_000_000
    some = [names_frame(workers)]
    for n in range(300):
        some += [
            counters(0, [0, n] + [0] * 254, [0] * 256, [0] * 256),
            levels(n * second // 2, workers),
        ]
    pool = held(*some).pools[0]
    size = sum(s.hits.nbytes + s.empties.nbytes + s.lost_races.nbytes for s in pool.snapshots)
    assert size <= SNAPSHOT_BYTES
    assert pool.counts_between(0, 10**15).hits[0, 1] == 299


def test_what_a_worker_lost_that_had_no_row_before_is_a_hole_and_no_later_beginning():
    """All had been sent by 20; then worker 1 writes its first rows, and some go round its ring."""
    late = {**task_rows(0, [(60, 70)], worker=1), "first": 5}
    lost = {"frame": "lost", "pool": 0, "table": "tasks", "worker": 1, "rows": 5}
    found = held(names_frame(2), task_rows(0, [(0, 10)]), levels(20), lost, late, levels(100))
    pool = found.pools[0]
    assert pool.complete_from_ns == pool.declared_ns
    assert pool.lost_rows == 5
    assert [(hole.began_ns, hole.ended_ns) for hole in pool.holes] == [(20, 70)]


def rows_held(pool):
    names = (*TASKS.names, "worker")
    return sorted(zip(*(pool.tasks[name].tolist() for name in names), strict=True))


def test_a_frame_of_many_rings_says_the_same_as_a_frame_of_each():
    first = [task_rows(0, [(0, 10), (20, 30)]), task_rows(0, [(5, 25)], worker=1)]
    then = [task_rows(2, [(40, 50)]), {**task_rows(0, [(60, 70)], worker=1), "first": 4}]
    apart = held(names_frame(2), *first, levels(35, 2), *then, levels(100, 2))
    joined = held(names_frame(2), together(*first), levels(35, 2), together(*then), levels(100, 2))
    one, other = apart.pools[0], joined.pools[0]
    assert rows_held(one) == rows_held(other)
    assert one.lost_rows == other.lost_rows == 3
    assert one.holes == other.holes == [Hole(25, 70)]
    assert one.written("tasks") == other.written("tasks") == 8
    assert joined.skipped_frames == 0


def test_the_last_row_of_every_worker_before_a_frame_is_found():
    frames = [
        together(task_rows(n, [(n, n + 1)]), task_rows(n, [(n, n + 1)], worker=1)) for n in range(3)
    ]
    store = held(names_frame(2), *frames).pools[0].tasks
    assert store.last_before(store.since(3)).tolist() == [2, 3]


def test_looks_told_pair_by_pair_add_up_over_frames():
    pool = held(
        names_frame(3),
        looks((0, 1, 1, 0, 0), (2, 1, 0, 4, 1)),
        levels(10, 3),
        looks((0, 1, 2, 0, 0), (0, 2, 0, 7, 0)),
        levels(10**9, 3),
    ).pools[0]
    counts = pool.counts_between(0, 10**9)
    assert counts.hits.tolist() == [[0, 3, 0], [0, 0, 0], [0, 0, 0]]
    assert counts.empties.tolist() == [[0, 0, 7], [0, 0, 0], [0, 4, 0]]
    assert counts.lost_races.tolist() == [[0, 0, 0], [0, 0, 0], [0, 1, 0]]
    assert pool.counts_between(20, 10**9).hits[0, 1] == 2


@pytest.mark.parametrize(
    ("window_ns", "begin_ns"),
    [
        (3_000_000_000, 4_000_000_000),  # asked from 4.3 s on
        (2_600_000_000, 5_000_000_000),  # from 4.7 s on
        (400_000_000, 6_900_000_000),  # too short to hold a whole second
        (7_000_000_000, 300_000_000),  # nothing is known of the time before 0.2 s
    ],
)
def test_a_live_window_begins_with_the_nearest_whole_second_that_is_known(window_ns, begin_ns):
    found = held({**names_frame(1), "declared_ns": 200_000_000}, levels(7_300_000_000))
    past = Past()
    past.extend(found)
    (pool,) = read(found, source(), window_ns, past).pools
    assert (pool.begin_ns, pool.end_ns) == (begin_ns, 7_300_000_000)
    (whole,) = read(found, source(), window_ns).pools
    assert whole.begin_ns == 7_300_000_000 - window_ns


def test_a_pool_that_is_withdrawn_goes_and_its_number_is_no_other_pools():
    held = ledger(History(1, 100))
    before = set(held.pools)
    held.apply({"frame": "withdrawn", "pool": 0})
    held.apply({"frame": "withdrawn", "pool": 9})
    assert held.pools == {}
    held.apply({**names_frame(1), "pool": 1})
    assert len(held.pools) == 1
    assert before.isdisjoint(held.pools)
    assert held.skipped_frames == 0
