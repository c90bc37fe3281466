"""What a worker's calls leave in its rings, and the effect of calls that are not allowed.

The clock stands still until a test moves it, so every time in a row is known beforehand.
"""

from __future__ import annotations

import logging
import threading
import time

import pytest

import idlehands
from idlehands import (
    CANCELLED,
    FAILED,
    FINISHED,
    INBOX,
    OTHER_POOL,
    OWN_DEQUE,
    ProbeMisuse,
    _guard,
    _notes,
)
from idlehands._off import OffWorkerProbe
from idlehands._pool import MOST_KINDS, OTHER_KINDS, PoolProbe
from idlehands._pool_frames import open_intervals
from idlehands._rings import NO_TOKEN
from idlehands._tables import IDLE_INTERVALS, MOVED, PARKED, SEARCHING, TASKS, WAITS
from idlehands._worker import CPU_STREAK, CPU_WORTH_NS, WEIGHED_ROWS


def tasks_of(worker):
    _, rows = worker.tasks.read(0, 1 << 20)
    return [dict(zip(TASKS.names, (*row[0], *row[1:]))) for row in rows]


def waits_of(worker):
    return [dict(zip(WAITS.names, row)) for row in worker.waits.read(0, 1 << 20)[1]]


def idle_intervals_of(worker):
    return [
        dict(zip(IDLE_INTERVALS.names, row)) for row in worker.idle_intervals.read(0, 1 << 20)[1]
    ]


def run(worker, clock, kind, wall_ns, cpu_ns=0):
    worker.running(worker.spawned(kind))
    clock.advance(wall_ns, cpu_ns)
    worker.finished()


# Tasks


def test_a_task_leaves_a_row_with_every_column(pool, clock):
    worker = pool.worker(2)
    pool.spawned("sow")
    token = worker.spawned("reap", size=77)
    clock.advance(50)
    worker.running(token, taken_from=3)
    clock.advance(200)
    worker.finished()
    assert tasks_of(worker) == [
        {
            "task": 1,
            "parent": -1,
            "kind": 1,
            "spawned_ns": 1_000,
            "spawned_by": 2,
            "size": 77,
            "started_ns": 1_050,
            "ended_ns": 1_250,
            "taken_from": 3,
            "cpu_ns": -1,
            "outcome": FINISHED,
        }
    ]


def test_a_task_from_outside_the_pool_names_no_spawner_and_no_parent(pool, clock):
    token = pool.spawned("sow", size=5)
    assert token == (0, -1, 0, 1_000, -1, 5)


def test_a_task_without_a_named_source_is_from_the_own_deque(pool, clock):
    run(pool.worker(0), clock, "sow", 1)
    assert tasks_of(pool.worker(0))[0]["taken_from"] == OWN_DEQUE


def test_a_task_taken_from_the_inbox_says_so(pool, clock):
    worker = pool.worker(0)
    worker.running(pool.spawned("sow"), INBOX)
    worker.finished()
    assert tasks_of(worker)[0]["taken_from"] == INBOX


def test_a_task_that_raised_says_so(pool, clock):
    worker = pool.worker(0)
    worker.running(pool.spawned("sow"))
    worker.finished(FAILED)
    assert tasks_of(worker)[0]["outcome"] == FAILED


def test_a_spawn_inside_a_task_has_that_task_for_its_parent(pool, clock):
    worker = pool.worker(1)
    outer = worker.spawned("sow")
    worker.running(outer)
    inner = worker.spawned("sow")
    worker.finished()
    after = worker.spawned("sow")
    assert (inner[1], inner[4]) == (outer[0], 1)
    assert after[1] == -1


def test_a_spawn_after_a_wait_has_the_waiting_task_for_its_parent(pool, clock):
    worker = pool.worker(0)
    outer, helped = worker.spawned("sow"), worker.spawned("sow")
    worker.running(outer)
    worker.waiting()
    worker.running(helped)
    within = worker.spawned("sow")
    worker.finished()
    worker.resumed()
    assert within[1] == helped[0]
    assert worker.spawned("sow")[1] == outer[0]


def test_tasks_are_numbered_in_one_row_over_all_spawners(pool, clock):
    tokens = [pool.spawned("sow"), pool.worker(0).spawned("sow"), pool.worker(3).spawned("reap")]
    assert [token[0] for token in tokens] == [0, 1, 2]
    assert [token[2] for token in tokens] == [0, 0, 1]


def test_every_spawn_is_in_the_spawn_ring_at_once(pool, clock):
    pool.spawned("sow")
    clock.advance(10)
    pool.worker(0).spawned("sow")
    assert pool.spawns.read(0, 10) == (0, [1_000, 1_010])


def test_a_cancelled_task_leaves_a_row_that_starts_and_ends_now(pool, clock):
    token = pool.worker(1).spawned("sow")
    clock.advance(30)
    pool.cancelled(token)
    assert pool.cancellations.read(0, 10) == (0, [(token, 1_030, 1_030, -1, -1, CANCELLED)])


def test_tasks_cancelled_from_many_threads_are_all_counted(pool):
    def cancel():
        for _ in range(50):
            pool.cancelled(pool.spawned("sow"))

    threads = [threading.Thread(target=cancel) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    _, rows = pool.cancellations.read(0, 1000)
    assert sorted(row[0][0] for row in rows) == list(range(200))


def test_kinds_declared_from_many_threads_at_once_get_distinct_numbers(pool):
    ready = threading.Barrier(8)
    seen = []

    def declare(offset):
        ready.wait()
        for number in range(60):
            kind = f"kind-{(number + offset) % 60}"
            seen.append((kind, pool.worker(offset % 4).spawned(kind)[2]))

    threads = [threading.Thread(target=declare, args=(7 * n,)) for n in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(pool.kinds.values()) == list(range(60))
    assert set(seen) == set(pool.kinds.items())


def test_binding_takes_the_name_and_ids_of_the_calling_thread(pool):
    worker = pool.worker(0)
    ids = []

    def bind():
        worker.bind()
        ids.append((threading.get_ident(), threading.get_native_id()))

    thread = threading.Thread(target=bind, name="picker-0")
    thread.start()
    thread.join()
    assert (worker.ident, worker.native_id) == ids[0]
    assert worker.thread_name == "picker-0"


# Waits


def test_a_wait_leaves_a_row_with_what_was_joined_and_how_many_tasks_were_helped(pool, clock):
    worker = pool.worker(0)
    outer, joined, other = (worker.spawned("sow") for _ in range(3))
    worker.running(outer)
    clock.advance(10)
    worker.waiting(on=joined)
    for token in (joined, other):
        clock.advance(5)
        worker.running(token)
        clock.advance(5)
        worker.finished()
    worker.resumed()
    clock.advance(1)
    worker.finished()
    assert waits_of(worker) == [
        {"task": 0, "began_ns": 1_010, "ended_ns": 1_030, "on_task": 1, "helped": 2}
    ]
    assert [(row["task"], row["started_ns"], row["ended_ns"]) for row in tasks_of(worker)] == [
        (1, 1_015, 1_020),
        (2, 1_025, 1_030),
        (0, 1_000, 1_031),
    ]


def test_a_wait_for_no_task_joins_nobody(pool, clock):
    worker = pool.worker(0)
    worker.running(worker.spawned("sow"))
    worker.waiting()
    worker.resumed()
    assert waits_of(worker)[0]["on_task"] == -1


def test_a_wait_inside_a_helped_task_counts_only_its_own_help(pool, clock):
    worker = pool.worker(0)
    outer, middle, inner, last = (worker.spawned("sow") for _ in range(4))
    worker.running(outer)
    worker.waiting()
    run(worker, clock, "sow", 1)
    worker.running(middle)
    worker.waiting()
    worker.running(inner)
    worker.finished()
    worker.resumed()
    worker.finished()
    worker.running(last)
    worker.finished()
    worker.resumed()
    worker.finished()
    assert [(row["task"], row["helped"]) for row in waits_of(worker)] == [(1, 1), (0, 3)]


def test_a_second_wait_of_a_task_counts_its_help_from_nothing(pool, clock):
    worker = pool.worker(0)
    worker.running(worker.spawned("sow"))
    for helped in (2, 1):
        worker.waiting()
        for _ in range(helped):
            run(worker, clock, "sow", 1)
        worker.resumed()
    assert [row["helped"] for row in waits_of(worker)] == [2, 1]


def test_a_task_keeps_where_it_was_taken_from_over_a_wait_with_help(pool, clock):
    worker = pool.worker(0)
    worker.running(worker.spawned("sow"), 3)
    worker.waiting()
    worker.running(worker.spawned("sow"), 1)
    worker.finished()
    worker.resumed()
    worker.finished()
    assert [row["taken_from"] for row in tasks_of(worker)] == [1, 3]


# Idle intervals


def test_a_search_then_a_park_leave_two_rows_that_meet(pool, clock):
    worker = pool.worker(0)
    worker.searching()
    clock.advance(10)
    worker.missed(1)
    worker.lost_race(2)
    worker.missed(3)
    worker.parked()
    clock.advance(100)
    worker.unparked(woken_by=2, woken_ns=1_090)
    assert idle_intervals_of(worker) == [
        {
            "began_ns": 1_000,
            "ended_ns": 1_010,
            "state": SEARCHING,
            "attempts": 3,
            "woken_by": -1,
            "woken_ns": -1,
        },
        {
            "began_ns": 1_010,
            "ended_ns": 1_110,
            "state": PARKED,
            "attempts": 0,
            "woken_by": 2,
            "woken_ns": 1_090,
        },
    ]


def test_a_search_ends_as_the_task_it_found_begins(pool, clock):
    worker = pool.worker(0)
    worker.searching()
    worker.stolen(1)
    clock.advance(25)
    worker.running(pool.spawned("sow"), 1)
    (interval,) = idle_intervals_of(worker)
    assert (interval["began_ns"], interval["ended_ns"], interval["attempts"]) == (1_000, 1_025, 1)
    worker.finished()
    assert tasks_of(worker)[0]["started_ns"] == 1_025


def test_a_search_inside_a_wait_ends_as_the_wait_is_over(pool, clock):
    worker = pool.worker(0)
    worker.running(pool.spawned("sow"))
    worker.waiting()
    worker.searching()
    clock.advance(8)
    worker.resumed()
    assert [
        (interval["began_ns"], interval["ended_ns"]) for interval in idle_intervals_of(worker)
    ] == [(1_000, 1_008)]


def test_searching_called_again_goes_on_with_the_same_search(pool, clock):
    worker = pool.worker(0)
    worker.searching()
    clock.advance(5)
    worker.searching()
    worker.missed(1)
    clock.advance(5)
    worker.parked()
    (interval,) = idle_intervals_of(worker)
    assert (interval["began_ns"], interval["ended_ns"], interval["attempts"]) == (1_000, 1_010, 1)


def test_a_wake_from_nobody_known_says_so(pool, clock):
    worker = pool.worker(0)
    worker.parked()
    worker.unparked()
    (interval,) = idle_intervals_of(worker)
    assert (interval["woken_by"], interval["woken_ns"]) == (-1, -1)


def test_steal_attempts_are_counted_by_outcome_and_victim(pool):
    worker = pool.worker(0)
    for victim in (1, 1, 3):
        worker.missed(victim)
    worker.stolen(2)
    worker.lost_race(3)
    assert worker.empties == [0, 2, 0, 1]
    assert worker.hits == [0, 0, 1, 0]
    assert worker.lost_races == [0, 0, 0, 1]


def test_a_lost_race_leaves_a_row_where_the_length_of_the_deque_is_known(pool, clock):
    worker = pool.worker(0)
    worker.lost_race(3, 2)
    assert worker.lost_races == [0, 0, 0, 1]
    assert worker.contention.read(0, 10) == (0, [(clock.now_ns, 3, 2, -1)])


def test_a_contended_operation_leaves_a_row_with_the_deque_its_length_and_the_wait(pool, clock):
    worker = pool.worker(0)
    clock.advance(40)
    worker.contended(2, 5, 30)
    assert worker.contention.read(0, 10) == (0, [(clock.now_ns, 2, 5, 30)])


def test_the_older_name_of_a_contended_operation_records_the_same(pool, clock):
    worker = pool.worker(0)
    worker.met(2, 5, 30)
    assert worker.contention.read(0, 10) == (0, [(clock.now_ns, 2, 5, 30)])


def test_a_task_taken_out_of_another_pool_moves_and_gets_a_token_of_this_one(pool, clock):
    other = PoolProbe("meadow", 2, "work-stealing", 1)
    pool.spawned("sow")
    there = other.spawned("reap", 7)
    clock.advance(30)
    worker = pool.worker(1)
    token = worker.adopted(there, other)
    worker.running(token, OTHER_POOL)
    clock.advance(10)
    worker.finished()
    assert other.cancellations.read(0, 10) == (
        0,
        [(there, 1_030, 1_030, OTHER_POOL, -1, MOVED)],
    )
    ((row, started, ended, taken_from, _cpu, outcome),) = worker.tasks.read(0, 10)[1]
    assert (row[0], row[1], row[3], row[5]) == (1, -1, 1_030, 7)
    assert list(pool.kinds)[row[2]] == "reap"
    assert (started, ended, taken_from, outcome) == (1_030, 1_040, OTHER_POOL, FINISHED)


def test_a_task_of_a_pool_that_is_off_leaves_no_row_there_and_is_taken_all_the_same(
    pool,
):
    other = PoolProbe("meadow", 2, "work-stealing", 1)
    there = other.spawned("reap")
    other.close()
    worker = pool.worker(1)
    assert worker.adopted(there, other)[0] == 0
    assert worker.adopted(NO_TOKEN, other)[0] == 1
    assert other.cancellations.written == 0


# What is open at a moment


def test_an_idle_worker_has_nothing_open(pool):
    assert open_intervals(pool.worker(0)) == []


def test_a_waiting_task_its_wait_the_helped_task_are_open_from_the_outside_in(pool, clock):
    worker = pool.worker(1)
    outer, inner = worker.spawned("sow"), worker.spawned("reap", 9)
    worker.running(outer, INBOX)
    clock.advance(5)
    worker.waiting(on=inner)
    clock.advance(5)
    worker.running(inner, 3)
    assert open_intervals(worker) == [
        [0, 0, -1, 0, 1_000, 1, -1, 1_000, INBOX],
        [1, 1_005, 1],
        [0, 1, -1, 1, 1_000, 1, 9, 1_010, 3],
    ]


@pytest.mark.parametrize(("say", "state"), [("searching", SEARCHING), ("parked", PARKED)])
def test_an_open_idle_interval_comes_last(pool, clock, say, state):
    worker = pool.worker(0)
    worker.running(pool.spawned("sow"))
    worker.waiting()
    clock.advance(3)
    getattr(worker, say)()
    assert [interval[0] for interval in open_intervals(worker)] == [0, 1, 2]
    assert open_intervals(worker)[-1] == [2, 1_003, state]


# CPU time


def weighed(worker, clock, kind, length_ns, times=CPU_STREAK):
    """Run tasks that are sent, and so weighed, one by one."""
    for _ in range(times):
        run(worker, clock, kind, length_ns)
        worker.weigh(worker.tasks.read(worker.tasks.written - 1, 1)[1])


def test_cpu_time_is_read_only_after_a_streak_of_long_tasks_of_the_kind(pool, clock):
    worker = pool.worker(0)
    weighed(worker, clock, "long", CPU_WORTH_NS, CPU_STREAK - 1)
    run(worker, clock, "long", CPU_WORTH_NS, cpu_ns=400)
    weighed(worker, clock, "long", CPU_WORTH_NS, 1)
    run(worker, clock, "long", CPU_WORTH_NS, cpu_ns=400)
    run(worker, clock, "other", CPU_WORTH_NS, cpu_ns=400)
    cpu = [row["cpu_ns"] for row in tasks_of(worker)]
    assert cpu == [-1] * (CPU_STREAK + 1) + [400, -1]


def test_cpu_time_is_not_read_while_nobody_is_sent_anything(pool, clock):
    worker = pool.worker(0)
    for _ in range(3 * CPU_STREAK):
        run(worker, clock, "long", CPU_WORTH_NS, cpu_ns=400)
    assert {row["cpu_ns"] for row in tasks_of(worker)} == {-1}


def test_cpu_time_of_short_tasks_is_never_read(pool, clock):
    worker = pool.worker(0)
    weighed(worker, clock, "short", CPU_WORTH_NS - 1, 3 * CPU_STREAK)
    assert {row["cpu_ns"] for row in tasks_of(worker)} == {-1}


def test_cpu_time_stops_being_read_after_a_short_task_is_weighed(pool, clock):
    worker = pool.worker(0)
    weighed(worker, clock, "long", CPU_WORTH_NS)
    weighed(worker, clock, "long", 5, 1)
    run(worker, clock, "long", CPU_WORTH_NS, cpu_ns=400)
    assert [row["cpu_ns"] for row in tasks_of(worker)][CPU_STREAK:] == [0, -1]


def test_only_some_of_many_rows_are_weighed(pool, clock):
    worker = pool.worker(0)
    for _ in range(100 * WEIGHED_ROWS):
        run(worker, clock, "long", CPU_WORTH_NS)
    rows = worker.tasks.read(0, 1 << 20)[1]

    class Counted(list):
        seen = 0

        def __getitem__(self, index):
            found = super().__getitem__(index)
            Counted.seen += len(found)
            return found

    worker.weigh(Counted(rows))
    assert WEIGHED_ROWS <= Counted.seen < 2 * WEIGHED_ROWS


def test_cpu_time_during_waits_and_helped_tasks_is_not_the_tasks(pool, clock):
    worker = pool.worker(0)
    weighed(worker, clock, "long", CPU_WORTH_NS)
    worker.running(worker.spawned("long"))
    clock.advance(10, cpu_ns=3)
    worker.waiting()
    clock.advance(10, cpu_ns=1_000)
    run(worker, clock, "long", CPU_WORTH_NS, cpu_ns=50)
    clock.advance(10, cpu_ns=1_000)
    worker.resumed()
    clock.advance(10, cpu_ns=4)
    worker.finished()
    assert [row["cpu_ns"] for row in tasks_of(worker)][CPU_STREAK:] == [50, 7]


def test_the_real_cpu_clock_gives_no_negative_time(pool):
    worker = pool.worker(0)

    def work():
        for _ in range(CPU_STREAK + 4):
            worker.running(worker.spawned("long"))
            began = time.monotonic_ns()
            while time.monotonic_ns() - began < 2 * CPU_WORTH_NS:
                pass
            worker.finished()
            worker.weigh(worker.tasks.read(worker.tasks.written - 1, 1)[1])

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    rows = tasks_of(worker)[CPU_STREAK:]
    assert all(row["cpu_ns"] >= 0 for row in rows)


def test_kinds_are_bounded_and_the_rest_share_the_last(pool, clock):
    worker = pool.worker(0)
    for number in range(MOST_KINDS + 50):
        run(worker, clock, f"kind {number}", 5)
    assert len(pool.kinds) == MOST_KINDS
    assert pool.kinds[OTHER_KINDS] == MOST_KINDS - 1
    assert {row["kind"] for row in tasks_of(worker)[-50:]} == {MOST_KINDS - 1}


def test_running_without_a_token_is_misuse(pool):
    with pytest.raises(ProbeMisuse, match="needs the token that spawned"):
        pool.worker(0).running(None)


# Misuse


def out_of_nothing(worker):
    """A worker that has said nothing."""


def in_a_task(worker):
    worker.running(worker.spawned("sow"))


def in_a_wait(worker):
    in_a_task(worker)
    worker.waiting()


def while_parked(worker):
    worker.parked()


def while_searching(worker):
    worker.searching()


MISUSES = [
    (
        in_a_task,
        lambda worker: worker.running(worker.spawned("sow")),
        r"running\(\) while in a task",
    ),
    (out_of_nothing, lambda worker: worker.finished(), r"finished\(\) while between tasks"),
    (in_a_wait, lambda worker: worker.finished(), r"finished\(\) while between tasks"),
    (out_of_nothing, lambda worker: worker.waiting(), r"waiting\(\) while between tasks"),
    (in_a_wait, lambda worker: worker.waiting(), r"waiting\(\) while between tasks"),
    (out_of_nothing, lambda worker: worker.resumed(), r"resumed\(\) without waiting"),
    (in_a_task, lambda worker: worker.resumed(), r"resumed\(\) while in a task"),
    (in_a_task, lambda worker: worker.searching(), r"searching\(\) while in a task"),
    (while_parked, lambda worker: worker.searching(), r"searching\(\) while parked"),
    (in_a_task, lambda worker: worker.parked(), r"parked\(\) while in a task"),
    (while_parked, lambda worker: worker.parked(), r"parked\(\) while parked"),
    (out_of_nothing, lambda worker: worker.unparked(), r"unparked\(\) while between tasks"),
    (while_searching, lambda worker: worker.unparked(), r"unparked\(\) while searching"),
    (in_a_task, lambda worker: worker.unparked(), r"unparked\(\) while in a task"),
    (out_of_nothing, lambda worker: worker.spawned(7), "a kind is a string, not 7"),
    (out_of_nothing, lambda worker: worker.pool.spawned(None), "a kind is a string, not None"),
    (out_of_nothing, lambda worker: worker.pool.worker(4), "has workers 0 to 3, not 4"),
    (out_of_nothing, lambda worker: worker.pool.worker(-1), "has workers 0 to 3, not -1"),
]
for _call in ("missed", "stolen", "lost_race", "contended", "met"):
    for _victim in (4, -1, -4, 10**9, None, "1"):
        MISUSES.append(
            (
                out_of_nothing,
                lambda worker, call=_call, victim=_victim: getattr(worker, call)(victim),
                f"victim {_victim!r} is not a worker of a pool of 4",
            )
        )


@pytest.mark.parametrize(("before", "misuse", "message"), MISUSES)
def test_misuse_raises_and_says_what_was_wrong(pool, before, misuse, message):
    worker = pool.worker(1)
    before(worker)
    with pytest.raises(ProbeMisuse, match=message):
        misuse(worker)
    assert pool.misuses == 0


@pytest.mark.parametrize(("before", "misuse", "message"), MISUSES)
@pytest.mark.usefixtures("lenient")
def test_misuse_is_counted_and_not_raised_when_not_strict(pool, before, misuse, message):
    worker = pool.worker(1)
    before(worker)
    misuse(worker)
    assert pool.misuses == 1
    assert not pool.off


@pytest.mark.parametrize(("before", "misuse", "message"), MISUSES)
def test_misuse_changes_nothing_of_what_is_recorded(pool, before, misuse, message):
    worker = pool.worker(1)
    before(worker)
    open_before = open_intervals(worker)
    with pytest.raises(ProbeMisuse):
        misuse(worker)
    assert open_intervals(worker) == open_before
    assert (worker.tasks.written, worker.waits.written, worker.idle_intervals.written) == (0, 0, 0)
    assert worker.empties == worker.hits == worker.lost_races == [0] * 4


def test_misuse_names_the_worker(pool):
    with pytest.raises(ProbeMisuse, match="worker 3: "):
        pool.worker(3).finished()


@pytest.mark.usefixtures("lenient")
def test_a_kind_that_is_no_string_is_recorded_as_its_text_when_not_strict(pool):
    pool.spawned(7)
    assert pool.kinds == {"7": 0}


@pytest.mark.usefixtures("lenient")
def test_a_worker_out_of_range_is_a_probe_that_does_nothing_when_not_strict(pool):
    stranger = pool.worker(9)
    stranger.running(stranger.spawned("sow"))
    stranger.finished()
    assert all(worker.tasks.written == 0 for worker in pool.probes)


def test_strictness_is_restored_by_configuring_it_again(pool):
    idlehands.configure(strict=False)
    pool.worker(0).finished()
    idlehands.configure(strict=True)
    with pytest.raises(ProbeMisuse):
        pool.worker(0).finished()


# A probe that is off


def call_everything(pool, worker):
    worker.bind()
    token = worker.spawned("sow", 3)
    assert pool.spawned("sow") == token == NO_TOKEN
    worker.running(token)
    worker.waiting(token)
    worker.resumed()
    worker.finished()
    worker.searching()
    worker.missed(99)
    worker.stolen(-5)
    worker.lost_race(99, 2)
    worker.contended(99, 2, 3)
    assert worker.adopted(token, pool) == NO_TOKEN
    worker.parked()
    worker.unparked(1, 2)
    worker.finished(FAILED)
    pool.cancelled(token)
    pool.worker(99).finished()


def test_every_call_on_a_closed_pool_does_nothing(pool):
    worker = pool.worker(0)
    pool.close()
    call_everything(pool, worker)
    assert isinstance(pool.worker(2), OffWorkerProbe)
    written = [ring.written for _, ring in worker.rings()]
    assert written == [0, 0, 0, 0]
    assert pool.cancellations.written == pool.misuses == 0
    assert worker.empties == worker.hits == worker.lost_races == [0] * 4


def test_a_worker_held_from_before_the_close_is_off_in_the_midst_of_its_task(pool):
    worker = pool.worker(0)
    worker.running(worker.spawned("sow"))
    pool.close()
    worker.finished()
    assert worker.tasks.written == 0


def test_rows_recorded_before_the_close_stay_readable(pool, clock):
    run(pool.worker(0), clock, "sow", 1)
    pool.close()
    assert len(tasks_of(pool.worker(0))) == 1


BREAKING = """
class Broken(list):
    def __setitem__(self, index, value):
        raise MemoryError("no slot")
"""
_names = {}
# Compiled as a line of the probe's own: what code of the job's raises is handed on to the job.
exec(compile(BREAKING, _guard.PACKAGE + "breaking.py", "exec"), _names)  # noqa: S102
Broken = _names["Broken"]


BREAKING_CALLS = {
    "spawned": (out_of_nothing, "spawns", lambda pool, worker: worker.spawned("sow")),
    "spawned outside": (out_of_nothing, "spawns", lambda pool, worker: pool.spawned("sow")),
    "finished": (in_a_task, "tasks", lambda pool, worker: worker.finished()),
    "resumed": (in_a_wait, "waits", lambda pool, worker: worker.resumed()),
    "running": (while_searching, "idle_intervals", lambda pool, worker: worker.running(NO_TOKEN)),
    "parked": (while_searching, "idle_intervals", lambda pool, worker: worker.parked()),
    "unparked": (while_parked, "idle_intervals", lambda pool, worker: worker.unparked()),
    "contended": (out_of_nothing, "contention", lambda pool, worker: worker.contended(1, 2, 3)),
    "lost race": (out_of_nothing, "contention", lambda pool, worker: worker.lost_race(1, 2)),
    "adopted": (
        out_of_nothing,
        "spawns",
        lambda pool, worker: worker.adopted(NO_TOKEN, pool),
    ),
    "cancelled": (out_of_nothing, "cancellations", lambda pool, worker: pool.cancelled(NO_TOKEN)),
}


@pytest.mark.parametrize("name", BREAKING_CALLS)
def test_a_probe_that_fails_switches_itself_off_and_says_so_once(pool, caplog, name):
    before, ring, call = BREAKING_CALLS[name]
    worker = pool.worker(0)
    before(worker)
    owner = worker if hasattr(worker, ring) else pool
    getattr(owner, ring).slots = Broken()
    with caplog.at_level(logging.DEBUG, logger="idlehands"):
        call(pool, worker)
        call(pool, worker)
        _notes.log_pending()
    assert pool.off
    assert pool.failures >= 1
    (record,) = caplog.records
    assert record.name == "idlehands"
    assert record.levelno == logging.WARNING
    assert "'orchard'" in record.getMessage()
    assert "no slot" in record.getMessage()
    call_everything(pool, worker)


@pytest.mark.parametrize("outcome", ["missed", "stolen", "lost_race"])
def test_a_failing_count_of_steal_attempts_switches_the_probe_off_too(pool, caplog, outcome):
    worker = pool.worker(0)
    worker.hits = worker.empties = worker.lost_races = Broken([0] * 4)
    getattr(worker, outcome)(1)
    assert pool.off
    _notes.log_pending()
    assert len(caplog.records) == 1


def test_a_probe_that_fails_in_one_pool_leaves_the_others_on(pool, clock):
    other = type(pool)("meadow", 1, "work-stealing", 1)
    pool.spawns.slots = Broken()
    pool.spawned("sow")
    run(other.worker(0), clock, "sow", 1)
    assert pool.off
    assert len(tasks_of(other.worker(0))) == 1
