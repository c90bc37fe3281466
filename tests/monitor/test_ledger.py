"""The ledger: what it holds of frames, and the effect of a loss and of a bad frame."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from readings import source

from histories import History, Task, frames, ledger, levels_frame, names_frame, take_in
from idlehands.wire import STEAL_ATTEMPTS, TASKS, encode_columns
from idlehands_monitor.analysis.assemble import read, read_pool
from idlehands_monitor.analysis.time.job_history import JobHistory
from idlehands_monitor.analysis.time.worker_time import recorded_stretches
from idlehands_monitor.analysis.windows import window_of
from idlehands_monitor.ingest import checked_frames
from idlehands_monitor.ledger import HostCounters, Ledger, TableStore
from idlehands_monitor.ledger import host as host_module
from idlehands_monitor.ledger import thread_waits as waits_module
from idlehands_monitor.ledger.attempts import SNAPSHOT_BYTES
from idlehands_monitor.ledger.pool import MOST_HOLES, Hole
from idlehands_monitor.ledger.thread_waits import ThreadSamples
from idlehands_monitor.model.vocabulary import REASONS_BY_CODE
from idlehands_monitor.session import feed


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
        take_in(found, frame)
    return found


def samples(*cells):
    """Return the frame of attempts since the last: (thief, victim, hits, empties, lost races)."""
    columns = encode_columns(STEAL_ATTEMPTS, list(zip(*cells, strict=True)))
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


def test_lost_spawn_timestamps_make_no_hole_because_counts_stay_exact():
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
    assert counts[0].tolist() == [[0, 4], [0, 0]]
    assert counts[1].tolist() == [[0, 1], [0, 0]]
    assert found.pools[0].counts_between(0, 2 * second)[0].tolist() == [[0, 9], [0, 0]]


def test_snapshots_stay_bounded_and_keep_the_first_and_the_last():
    second = 1_000_000_000
    some = [names_frame(2)]
    for n in range(2000):
        some += [counters(0, [0, n], [0, 0], [0, 0]), levels(n * second // 2, 2)]
    pool = held(*some).pools[0]
    assert len(pool.attempts.snapshots) <= 129
    assert pool.counts_between(0, 10**15)[0][0, 1] == 1999


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
        samples((0, 1, 1, 0, 0)),
        samples((-1, 0, 1, 0, 0)),
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
        store.append(np.array(columns), [(first // rows % 2, rows)])
    return store


def test_a_table_that_forgets_holds_little_more_than_what_is_recent():
    store = TableStore(TASKS, "ended_ns")
    for turn in range(50):
        batches(store, 10, begin=100 * turn)
        store.forget_before(int(store["ended_ns"].max()) - 30)
        assert len(store) < 200


def test_rows_since_a_timestamp_are_found_without_leaving_any_out():
    store = batches(TableStore(TASKS, "ended_ns"), 20)
    for timestamp in range(-5, 210):
        first = store.since(timestamp)
        assert (store["ended_ns"][:first] < timestamp).all()
        assert first >= min(timestamp, 200) - 10


def test_the_last_row_of_each_worker_before_a_batch_is_found():
    store = batches(TableStore(TASKS, "ended_ns"), 5)
    assert store.last_before(30).tolist() == [29, 19]
    assert store.last_before(10).tolist() == [9]
    assert store.last_before(0).tolist() == []


def test_a_table_grows_past_its_first_capacity_and_keeps_every_row():
    store = TableStore(TASKS, "ended_ns")
    for first in range(0, 5000, 100):
        columns = [list(range(first, first + 100))] * len(TASKS.names)
        store.append(np.array(columns), [(3, 100)])
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
    size = sum(counts.nbytes for s in pool.attempts.snapshots for counts in s.by_thief.values())
    assert size <= SNAPSHOT_BYTES
    assert pool.counts_between(0, 10**15)[0][0, 1] == 299


def test_rows_lost_by_a_worker_without_earlier_rows_are_a_hole_and_no_later_beginning():
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


def test_a_frame_of_many_rings_equals_a_frame_of_each():
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


def test_attempts_sent_pair_by_pair_add_up_over_frames():
    pool = held(
        names_frame(3),
        samples((0, 1, 1, 0, 0), (2, 1, 0, 4, 1)),
        levels(10, 3),
        samples((0, 1, 2, 0, 0), (0, 2, 0, 7, 0)),
        levels(10**9, 3),
    ).pools[0]
    counts = pool.counts_between(0, 10**9)
    assert counts[0].tolist() == [[0, 3, 0], [0, 0, 0], [0, 0, 0]]
    assert counts[1].tolist() == [[0, 0, 7], [0, 0, 0], [0, 4, 0]]
    assert counts[2].tolist() == [[0, 0, 0], [0, 0, 0], [0, 1, 0]]
    assert pool.counts_between(20, 10**9)[0][0, 1] == 2


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
    past = JobHistory()
    past.extend(found)
    (pool,) = read(found, source(), window_ns, past).pools
    assert (pool.begin_ns, pool.end_ns) == (begin_ns, 7_300_000_000)
    (whole,) = read(found, source(), window_ns).pools
    assert whole.begin_ns == 7_300_000_000 - window_ns


def test_a_pool_that_is_withdrawn_goes_and_its_number_is_no_other_pools():
    found = ledger(History(1, 100))
    before = set(found.pools)
    take_in(found, {"frame": "withdrawn", "pool": 0}, {"frame": "withdrawn", "pool": 9})
    assert found.pools == {}
    take_in(found, {**names_frame(1), "pool": 1})
    assert len(found.pools) == 1
    assert before.isdisjoint(found.pools)
    assert found.skipped_frames == 0


def test_threads_without_new_samples_are_forgotten():
    counters = HostCounters()
    for thread in range(100):
        counters.add(10 + thread, thread, 5, 5)
    counters.forget_before(100)
    assert [counters.between(thread, 0, 1000)[2] for thread in range(100)] == [0] * 100
    assert len(counters._threads) == 10


def test_samples_of_threads_are_bounded_and_the_newest_stays(monkeypatch):
    monkeypatch.setattr(host_module, "MOST_TIMES", 1000)
    counters = HostCounters()
    for at in range(50_000):
        counters.add(at, at % 3, at, 0)
    held_samples = sum(len(thread.timestamps) for thread in counters._threads.values())
    assert held_samples <= 1000
    core, _, covered = counters.between(0, 40_000, 49_999)
    assert core == pytest.approx(covered)


def test_of_very_many_threads_those_sampled_last_are_held(monkeypatch):
    monkeypatch.setattr(host_module, "MOST_THREADS", 10)
    counters = HostCounters()
    for thread in range(100):
        counters.add(thread, thread, 5, 5)
    assert list(counters._threads) == list(range(90, 100))


def test_waits_of_threads_are_bounded_and_the_newest_stays(monkeypatch):
    monkeypatch.setattr(waits_module, "MOST_THREADS", 10)
    samples = ThreadSamples(most=100)
    for at in range(10_000):
        samples.add(at, {at % 3: "sleep" if at % 6 < 3 else "lock", 100 + at: "other"})
    assert sum(len(samples.of(thread, 0, 1 << 60)[0]) for thread in range(20_000)) <= 100
    timestamps, codes = samples.of(0, 0, 1 << 60)
    assert (timestamps[-1], REASONS_BY_CODE[codes[-1]]) == (9999, "lock")
    assert len(samples.of(100, 0, 1 << 60)[0]) == 0


def test_above_its_bound_a_ledger_forgets_the_oldest_rows_and_covers_less():
    found = held(
        names_frame(1), *(task_rows(n, [(n, n + 1)]) for n in range(10_000)), levels(10_000)
    )
    pool = found.pools[0]
    before = pool.held_bytes
    assert found.shrink(before) == 0
    forgotten = found.shrink(before // 3)
    assert pool.held_bytes <= before // 3
    assert forgotten == 10_000 - len(pool.tasks)
    assert pool.complete_from_ns >= forgotten
    assert pool.tasks["ended_ns"].max() == 10_000


def test_the_history_forgets_pools_that_are_gone():
    past, found = JobHistory(), held(names_frame(1), task_rows(0, [(0, 10)]), levels(20))
    past.extend(found)
    assert list(past.pools) == [0]
    past.extend(Ledger())
    assert not past.pools


def test_holes_are_bounded_and_leave_out_no_less():
    found = held(names_frame(1), task_rows(0, [(0, 1)]), levels(1))
    for n in range(1, 10_000):
        take_in(found, task_rows(2 * n, [(2 * n, 2 * n + 1)]))
    holes = found.pools[0].holes
    assert len(holes) <= MOST_HOLES
    assert holes[0].began_ns == 1
    assert found.pools[0].lost_rows == 9999


def test_only_the_counts_of_thieves_with_new_attempts_are_copied_for_a_snapshot():
    found = held(names_frame(3), samples((0, 1, 1, 0, 0), (2, 1, 7, 0, 0)), levels(0, workers=3))
    for n in range(1, 20):
        take_in(found, samples((0, 1, 1, 0, 0)), levels(n * 1_000_000_000, workers=3))
    pool = found.pools[0]
    snapshots = pool.attempts.snapshots
    assert len({id(snapshot.by_thief[0]) for snapshot in snapshots}) == len(snapshots) == 20
    assert len({id(snapshot.by_thief[2]) for snapshot in snapshots}) == 1
    assert [snapshot.totals[0] for snapshot in snapshots] == [8 + n for n in range(20)]
    assert pool.counts_between(0, 10**15)[0].tolist() == [[0, 20, 0], [0, 0, 0], [0, 7, 0]]


def test_counts_are_copied_once_a_snapshot_and_not_with_all_levels():
    found = held(names_frame(2))
    arrays = {}
    for at_ns in range(0, 10_000_000_000, 10_000_000):  # a hundred times a second
        take_in(found, samples((0, 1, 1, 0, 0)), levels(at_ns, workers=2))
        for snapshot in found.pools[0].attempts.snapshots:
            arrays.update((id(counts), counts) for counts in snapshot.by_thief.values())
    assert len(arrays) <= 25
    assert found.pools[0].counts_between(0, 10_000_000_000)[0].sum() == 1000


def test_attempts_count_from_the_levels_frame_on_that_has_their_timestamp():
    found = held(names_frame(2), samples((0, 1, 1, 0, 0)), levels(10, workers=2))
    pool = found.pools[0]
    take_in(found, samples((0, 1, 5, 0, 0)))
    assert pool.counts_between(0, 20)[0].sum() == 1
    take_in(found, levels(20, workers=2))
    assert pool.counts_between(0, 20)[0].sum() == 6


@pytest.mark.parametrize("keep", [False, True])
def test_rows_that_go_to_make_room_for_later_ones_are_counted_live_too(monkeypatch, keep):
    for name in ("LIVE_TABLE_BYTES", "FILE_TABLE_BYTES"):
        monkeypatch.setattr(feed, name, 4096)
    tasks = [Task(number, 0, 0, number, number + 1) for number in range(1000)]
    held = feed.Feed(SimpleNamespace(), None, keep=keep)
    for frame in frames(History(1, 1000, tasks), batch=100):
        held.take(checked_frames(frame))
    left = len(held.ledger.pools[0].tasks) + len(held.ledger.pools[0].spawns)
    assert held.ledger.skipped == {("rows", feed.OLDER): 2000 - left}
