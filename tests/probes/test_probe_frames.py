"""A cursor's frames, built in this process: what one flush sends when rings were overwritten."""

from __future__ import annotations

import struct

from idlehands._frames import PAIRS_PER_FRAME, ROWS_PER_FRAME, Cursor
from idlehands._packed_rows import PackedRows
from idlehands._pool import PoolProbe
from idlehands._rings import NO_TOKEN, Ring
from idlehands._tables import STEAL_ATTEMPTS, WORKER_LIFETIMES
from idlehands._worker import CPU_STREAK
from idlehands.wire import Decoder


def flush(cursor):
    decoder = Decoder()
    return [frame for data in cursor.frames() for frame in decoder.feed(data)]


def cancel(pool, count):
    for _ in range(count):
        pool.cancellations.put((NO_TOKEN, pool.cancellations.written, 0, -1, -1, 2))


def put(pool, index, rows, length=0):
    for _ in range(rows):
        pool.worker(index).tasks.put((NO_TOKEN, 0, length, -1, -1, 0))


def of_tasks(frames, kind):
    return [frame for frame in frames if frame["frame"] == kind and frame["table"] == "tasks"]


def started(frames):
    data = b"".join(frame["columns"]["started_ns"] for frame in of_tasks(frames, "rows"))
    return list(struct.unpack(f"<{len(data) // 8}q", data))


def test_a_loss_of_a_single_row_is_reported(pool):
    cancel(pool, len(pool.cancellations.slots))
    frames = flush(Cursor(pool))
    (lost,) = of_tasks(frames, "lost")
    assert (lost["worker"], lost["rows"]) == (-1, 1)
    assert started(frames) == list(range(1, pool.cancellations.written))


def test_a_flush_without_loss_reports_none(pool):
    cancel(pool, 100)
    assert of_tasks(flush(Cursor(pool)), "lost") == []


def test_a_flush_that_is_overtaken_goes_on_to_what_is_still_kept(pool):
    class Overtaken(Ring):
        """A ring whose writer once puts more rows while a reader copies."""

        def _copy(self, slots, first, end):
            rows = super()._copy(slots, first, end)
            if self.written == len(self.slots):
                cancel(pool, self.mask // 2)
            return rows

    pool.cancellations = Overtaken(256)
    cancel(pool, 256)
    frames = flush(Cursor(pool))
    numbers = started(frames)
    assert numbers[-1] == pool.cancellations.written - 1
    lost = sum(frame["rows"] for frame in of_tasks(frames, "lost"))
    assert lost + len(numbers) == pool.cancellations.written


def test_a_flush_overtaken_in_all_it_copied_goes_on_to_what_is_still_kept(pool):
    class Overtaken(Ring):
        """A ring whose writer once goes round while a reader copies."""

        def _copy(self, slots, first, end):
            rows = super()._copy(slots, first, end)
            if self.written == 100:
                cancel(pool, 400)
            return rows

    pool.cancellations = Overtaken(256)
    cancel(pool, 100)
    numbers = started(flush(Cursor(pool)))
    assert numbers == list(range(245, 500))


def test_rows_of_many_workers_come_in_one_frame_that_says_whose_they_are(pool):
    for index in (0, 1):
        worker = pool.worker(index)
        for _ in range(2 + index):
            worker.running(worker.spawned("sow"))
            worker.finished()
    (frame,) = of_tasks(flush(Cursor(pool)), "rows")
    assert frame["parts"] == [[0, 0, 2], [1, 0, 3]]
    assert frame["rows"] == 5
    assert frame["complete_ns"] > 0
    assert struct.unpack("<5q", frame["columns"]["task"]) == (0, 1, 2, 3, 4)


def test_rows_that_do_not_fit_in_a_frame_together_come_in_two(pool):
    rows = ROWS_PER_FRAME // 2 + 1
    for index in (0, 1):
        put(pool, index, rows)
    frames = of_tasks(flush(Cursor(pool)), "rows")
    assert [frame["parts"] for frame in frames] == [[[0, 0, rows]], [[1, 0, rows]]]


def test_each_workers_rows_are_weighed_by_itself(pool):
    put(pool, 0, CPU_STREAK, length=10**9)
    put(pool, 1, CPU_STREAK)
    flush(Cursor(pool))
    assert [bool(pool.worker(index).cpu_kinds) for index in (0, 1)] == [True, False]


def test_the_loss_of_a_worker_is_reported_before_the_rows_it_still_has(pool):
    kept = pool.worker(1).tasks.mask  # the oldest may be being overwritten just now
    put(pool, 0, 1)
    put(pool, 1, kept + 8)
    mine, lost, *rest = [frame for frame in flush(Cursor(pool)) if frame.get("table") == "tasks"]
    assert mine["parts"] == [[0, 0, 1]]
    assert (lost["frame"], lost["worker"], lost["rows"]) == ("lost", 1, 8)
    parts = [part for frame in rest for part in frame["parts"]]
    assert parts[0][:2] == [1, 8]
    assert sum(rows for _, _, rows in parts) == kept


def test_the_next_frame_has_only_the_attempts_of_a_pair_since_the_last_one(pool):
    cursor = Cursor(pool)
    pool.worker(0).missed(1)
    pool.worker(1).stolen(0)
    flush(cursor)
    pool.worker(0).missed(1)
    (counters,) = [frame for frame in flush(cursor) if frame["frame"] == "counters"]
    sent = [struct.unpack("<q", counters["columns"][name])[0] for name in STEAL_ATTEMPTS]
    assert sent == [0, 1, 0, 1, 0]


def test_attempts_of_very_many_pairs_come_in_frames_of_bounded_size():
    workers = 128
    pool = PoolProbe("wide", workers, "work-stealing", 0)
    for thief in range(workers):
        for victim in range(workers):
            pool.worker(thief).missed(victim)
    frames = [frame for frame in flush(Cursor(pool)) if frame["frame"] == "counters"]
    cells = [len(frame["columns"]["thief"]) // 8 for frame in frames]
    assert sum(cells) == workers * workers
    assert max(cells) < PAIRS_PER_FRAME + workers


def test_rows_of_two_shared_slots_stand_one_after_the_other():
    width = len(WORKER_LIFETIMES.names)
    one, other = (range(start, start + width) for start in (0, 100))
    rows = PackedRows(WORKER_LIFETIMES, struct.pack(f"<{width}q", *one))
    rows += PackedRows(WORKER_LIFETIMES, struct.pack(f"<{width}q", *other))
    assert len(rows) == 2
    assert [tuple(rows.column(name)) for name in WORKER_LIFETIMES.names] == list(zip(one, other))


def test_only_the_last_frame_of_a_ring_claims_to_be_complete(pool):
    pool.cancellations = Ring(4 * ROWS_PER_FRAME)
    cancel(pool, 2 * ROWS_PER_FRAME + 5)
    rows = of_tasks(flush(Cursor(pool)), "rows")
    assert [frame["rows"] for frame in rows] == [ROWS_PER_FRAME, ROWS_PER_FRAME, 5]
    assert [frame["complete_ns"] >= 0 for frame in rows] == [False, False, True]


def test_a_second_flush_sends_nothing_again(pool):
    cursor = Cursor(pool)
    cancel(pool, 3)
    pool.worker(0).missed(1)
    assert len(flush(cursor)) == 3
    assert [frame["frame"] for frame in flush(cursor)] == ["levels"]


def test_names_are_sent_once_until_something_is_new(pool):
    cursor = Cursor(pool)
    assert len(list(cursor.names())) == 1
    assert list(cursor.names()) == []
    pool.spawned("sow")
    assert len(list(cursor.names())) == 1


def test_levels_are_those_of_their_moment_however_long_a_reader_keeps_the_rows_waiting(pool):
    put(pool, 0, 3)
    sent = Cursor(pool).frames()
    data = next(sent)
    put(pool, 0, 5)  # while the reader takes nothing
    frames = Decoder().feed(data + b"".join(sent))
    assert [sum(frame["ran"]) for frame in frames if frame["frame"] == "levels"] == [3]
