"""Rings that hold packed rows while somebody reads: they return the same rows as of objects."""

from __future__ import annotations

import itertools
import struct
import sys
import threading
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from probes_frames import columns_of

from idlehands._frames import Cursor
from idlehands._packed_rows import PackedRows, Spawns, TaskRing
from idlehands._pool import PoolProbe
from idlehands._rings import Ring, SpawnRing
from idlehands._shared import SharedPool
from idlehands._tables import MOST_WORKERS, NONE, TASKS
from idlehands.wire import Decoder

pytestmark = pytest.mark.skipif(sys.byteorder != "little", reason="packed rows are little-endian")

CHANGES = st.lists(
    st.one_of(
        st.tuples(st.just("put"), st.integers(0, 40)),
        st.tuples(st.just("set_packed"), st.booleans()),
        st.tuples(st.just("read"), st.integers(1, 20)),
    ),
    max_size=30,
)


def task_row(number):
    return (number, NONE, 2, 1000 + number, 7, NONE), 2000 + number, 3000 + number, -2, NONE, 0


def plain(rows):
    return rows.some(1 << 30) if isinstance(rows, PackedRows) else rows


@settings(database=None)
@given(st.integers(1, 20), CHANGES)
def test_a_ring_of_packed_rows_returns_the_same_as_a_ring_of_objects(size, changes):
    ring, other = TaskRing(size), Ring(size)
    position = 0
    for what, how in changes:
        if what == "set_packed":
            ring.set_packed(how)
        elif what == "put":
            for _ in range(how):
                row = task_row(other.written)
                ring.put(row)
                other.put(row)
        else:
            first, rows = ring.read(position, how)
            assert (first, plain(rows)) == other.read(position, how)
            position = first + len(rows)
        assert ring.last_task() == other.written - 1


@settings(database=None)
@given(st.integers(2, 20), CHANGES)
def test_a_ring_of_packed_spawns_returns_the_same_as_a_ring_of_objects(size, changes):
    ring, other = Spawns(size), SpawnRing(size)
    position = 0
    for what, how in changes:
        if what == "set_packed":
            ring.set_packed(how)
        elif what == "put":
            for _ in range(how):
                task = other.next_number()
                assert ring.next_number() == task
                token = (task, NONE, 0, 1000 + task, NONE, NONE)
                other.slots[task & other.mask] = token
                ring.keep(token)
        else:
            first, timestamps = ring.read(position, how)
            assert (first, list(timestamps)) == other.read(position, how)
            position = first + len(timestamps)


def test_a_packed_spawn_that_is_not_written_yet_is_waited_for():
    ring = Spawns(8)
    ring.set_packed(True)
    late = ring.next_number()
    for _ in range(3):
        task = ring.next_number()
        ring.keep((task, NONE, 0, 1000 + task, NONE, NONE))
    assert list(ring.read(0, 10)[1]) == []
    ring.keep((late, NONE, 0, 5, NONE, NONE))
    assert list(ring.read(0, 10)[1]) == [5, 1001, 1002, 1003]


def test_a_row_that_its_writer_was_about_to_put_as_an_object_is_not_missed():
    ring = TaskRing(8)
    ring.put(task_row(0))
    slots, number = ring.slots, ring.written
    ring.set_packed(True)  # while the writer, having looked, puts one more the old way
    slots[number & ring.mask] = task_row(1)
    ring.written = number + 1
    ring.put(task_row(2))
    assert ring.read(0, 10) == (0, [task_row(n) for n in range(3)])


def test_packed_rows_overwritten_while_they_are_copied_are_left_out_too():
    class Overtaken(TaskRing):
        """A ring whose writer puts five rows while a reader copies."""

        def _copy(self, slots, first, end):
            rows = super()._copy(slots, first, end)
            for _ in range(5):
                self.put(task_row(self.written))
            return rows

    ring = Overtaken(8)
    ring.set_packed(True)
    ring.put(task_row(0))
    for number in range(1, 8):
        ring.put(task_row(number))
    first, rows = ring.read(1, 100)
    assert (first, [row[0][0] for row in plain(rows)]) == (6, [6, 7])


def test_what_is_no_64_bit_integer_costs_its_own_cell_only():
    ring = TaskRing(8)
    ring.set_packed(True)
    token = (3, NONE, 2, 1000, 7, "large")
    ring.put((token, 2000, 1 << 70, -2, NONE, 0))
    assert plain(ring.read(0, 1)[1]) == [((3, NONE, 2, 1000, 7, NONE), 2000, NONE, -2, NONE, 0)]


def sent(pool, table):
    frames = Decoder().feed(b"".join(Cursor(pool).frames()))
    return [frame for frame in frames if frame["frame"] == "rows" and frame["table"] == table]


@pytest.mark.parametrize("somebody", [False, True], ids=["objects", "packed"])
def test_a_reader_is_sent_the_same_either_way(somebody, clock):
    pool = PoolProbe("orchard", 2, "work-stealing", 0)
    pool.set_packed(somebody)
    worker = pool.worker(1)
    for _ in range(3):
        clock.advance(5)
        token = worker.spawned("sow", 9)
        worker.running(token)
        clock.advance(7)
        worker.finished()
    (tasks,), (spawns,) = sent(pool, "tasks"), sent(pool, "spawns")
    assert ("words" in tasks) == somebody
    assert (tasks["parts"], spawns["parts"]) == ([[1, 0, 3]], [[NONE, 0, 3]])
    columns = columns_of(tasks)
    assert list(columns) == list(TASKS.names)
    assert columns["spawned_ns"] == columns_of(spawns)["spawned_ns"] == (1005, 1017, 1029)
    assert columns["ended_ns"] == (1012, 1024, 1036)
    assert columns["size"] == (9, 9, 9)


def test_rows_from_before_and_after_a_reader_came_are_sent_once_each_in_order():
    pool = PoolProbe("orchard", 1, "work-stealing", 0)
    worker = pool.worker(0)

    def run(count):
        for _ in range(count):
            worker.running(worker.spawned("sow"))
            worker.finished()

    run(700)
    pool.set_packed(True)
    cursor = Cursor(pool)
    frames = Decoder().feed(b"".join(cursor.frames()))
    run(700)
    frames += Decoder().feed(b"".join(cursor.frames()))
    pool.set_packed(False)
    run(5)
    frames += Decoder().feed(b"".join(cursor.frames()))
    for table, column in (("tasks", "task"), ("spawns", "spawned_ns")):
        sent = [f for f in frames if f["frame"] == "rows" and f["table"] == table]
        assert sum(frame["rows"] for frame in sent) == 1405
        values = [value for frame in sent for value in columns_of(frame)[column]]
        assert len(values) == 1405
        assert values == sorted(values)


def shared_rows(pool, threads, timestamps):
    """Return packed task rows, submitted by threads at timestamps."""
    ring = TaskRing(64)
    ring.set_packed(True)
    for number, (thread, timestamp) in enumerate(zip(threads, timestamps)):
        ring.put(((number, NONE, 0, timestamp, thread, NONE), 1, 2, -2, NONE, 0))
    rows = ring.read(0, 64)[1]
    pool.name_submitters(rows)
    return rows


THREAD, OTHER = 1 << 40, 1 << 41


@pytest.mark.parametrize(
    ("threads", "timestamps", "expected"),
    [
        ([THREAD] * 3, [10, 20, 30], [4, 4, 4]),
        ([THREAD] * 3, [9, 20, 31], [NONE, 4, NONE]),
        ([OTHER] * 3, [10, 20, 30], [NONE] * 3),
        ([THREAD, OTHER, 2], [10, 20, 30], [4, NONE, 2]),
        ([2] * 3, [10, 20, 30], [2] * 3),
    ],
    ids=["one worker", "one worker, before and after it", "nobody", "several", "known"],
)
def test_threads_that_submitted_become_the_workers_they_were_then(threads, timestamps, expected):
    pool = SharedPool("x", "thread pool", 0, MOST_WORKERS)
    pool.thread_slots[THREAD] = (4, 10, 30)
    rows = shared_rows(pool, threads, timestamps)
    assert list(rows.column("spawned_by")) == expected
    assert pool.submitters(threads, timestamps) == expected
    assert list(rows.column("spawned_ns")) == timestamps


def test_a_worker_that_records_while_readers_come_and_go_loses_and_doubles_nothing():
    ring = TaskRing(1 << 10)
    stop = threading.Event()

    def write():
        while not stop.is_set():
            ring.put(task_row(ring.written))

    before = sys.getswitchinterval()
    sys.setswitchinterval(1e-5)
    writer = threading.Thread(target=write)
    writer.start()
    try:
        position, deadline = 0, time.monotonic() + 30
        for turn in itertools.count():
            if position > 5000 or time.monotonic() > deadline:
                break
            ring.set_packed(turn % 3 != 0)
            for _ in range(5):
                first, rows = ring.read(position, 200)
                assert [row[0][0] for row in plain(rows)] == list(range(first, first + len(rows)))
                position = first + len(rows)
    finally:
        stop.set()
        writer.join(20)
        sys.setswitchinterval(before)
    assert position > 5000


def test_packed_rows_of_a_capture_have_their_columns_in_the_order_of_the_table():
    ring = TaskRing(8)
    ring.set_packed(True)
    ring.put(task_row(5))
    rows = ring.read(0, 1)[1]
    _number, *columns = struct.unpack(f"<{len(rows.data) // 8}q", rows.data)
    assert (rows.skip, len(columns)) == (1, len(TASKS.names))
    assert dict(zip(TASKS.names, columns))["ended_ns"] == 3005


def test_workers_without_new_rows_between_others_split_no_frame():
    pool = PoolProbe("orchard", 5, "work-stealing", 0)
    pool.set_packed(True)
    for index in (0, 2, 4):
        worker = pool.worker(index)
        worker.running(worker.spawned("sow"))
        worker.finished()
    (tasks,) = sent(pool, "tasks")
    assert tasks["parts"] == [[0, 0, 1], [2, 0, 1], [4, 0, 1]]


@pytest.mark.parametrize("somebody", [False, True], ids=["objects", "packed"])
def test_a_cursor_knows_when_much_waits_of_spawns_or_of_rows(somebody):
    pool = PoolProbe("orchard", 2, "work-stealing", 0)
    pool.set_packed(somebody)
    cursor = Cursor(pool)
    assert not cursor.has_waiting(10)
    for _ in range(11):
        pool.spawned("sow")
    assert cursor.has_waiting(10)
    assert not cursor.has_waiting(11)
    list(cursor.frames())
    assert not cursor.has_waiting(10)
    for _ in range(5):
        for worker in map(pool.worker, range(2)):
            worker.searching()
            worker.parked()
            worker.unparked()
    assert cursor.has_waiting(20)
    assert not cursor.has_waiting(21)
    list(cursor.frames())
    assert not cursor.has_waiting(1)
