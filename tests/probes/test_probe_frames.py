"""A cursor's frames, built in this process: what one flush says when rings have gone round."""

from __future__ import annotations

import struct

from idlehands._frames import ROWS_PER_FRAME, Cursor
from idlehands._rings import NO_TOKEN, Ring
from idlehands.wire import Decoder


def flush(cursor):
    decoder = Decoder()
    return [frame for data in cursor.frames() for frame in decoder.feed(data)]


def cancel(pool, count):
    for _ in range(count):
        pool.cancellations.put((NO_TOKEN, pool.cancellations.written, 0, -1, -1, 2))


def of_tasks(frames, kind):
    return [frame for frame in frames if frame["frame"] == kind and frame["table"] == "tasks"]


def started(frames):
    data = b"".join(frame["columns"]["started_ns"] for frame in of_tasks(frames, "rows"))
    return list(struct.unpack(f"<{len(data) // 8}q", data))


def test_a_loss_of_a_single_row_is_told(pool):
    cancel(pool, len(pool.cancellations.slots))
    frames = flush(Cursor(pool))
    (lost,) = of_tasks(frames, "lost")
    assert (lost["worker"], lost["rows"]) == (-1, 1)
    assert started(frames) == list(range(1, pool.cancellations.written))


def test_a_flush_without_loss_tells_none(pool):
    cancel(pool, 100)
    assert of_tasks(flush(Cursor(pool)), "lost") == []


def test_a_flush_that_is_overtaken_goes_on_to_what_is_still_kept(pool):
    class Overtaken(Ring):
        """A ring whose writer once puts more rows while a reader copies."""

        def _copy(self, first, end):
            rows = super()._copy(first, end)
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

        def _copy(self, first, end):
            rows = super()._copy(first, end)
            if self.written == 100:
                cancel(pool, 400)
            return rows

    pool.cancellations = Overtaken(256)
    cancel(pool, 100)
    numbers = started(flush(Cursor(pool)))
    assert numbers == list(range(245, 500))


def test_only_the_last_frame_of_a_ring_claims_to_be_complete(pool):
    pool.cancellations = Ring(4 * ROWS_PER_FRAME)
    cancel(pool, 2 * ROWS_PER_FRAME + 5)
    rows = of_tasks(flush(Cursor(pool)), "rows")
    assert [frame["rows"] for frame in rows] == [ROWS_PER_FRAME, ROWS_PER_FRAME, 5]
    assert [frame["complete_ns"] >= 0 for frame in rows] == [False, False, True]


def test_a_second_flush_tells_nothing_again(pool):
    cursor = Cursor(pool)
    cancel(pool, 3)
    pool.worker(0).missed(1)
    assert len(flush(cursor)) == 3
    assert [frame["frame"] for frame in flush(cursor)] == ["levels"]


def test_names_are_told_once_until_something_is_new(pool):
    cursor = Cursor(pool)
    assert len(list(cursor.names())) == 1
    assert list(cursor.names()) == []
    pool.spawned("sow")
    assert len(list(cursor.names())) == 1
