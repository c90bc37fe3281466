"""The bounded row stores: the rows that a reader gets, and the count of those that it does not get.

The slot that is written next is never trusted, so of a ring of N slots a reader can get the newest
N - 1 rows; in a spawn ring the token in each slot has its number, so a reader gets all N.
"""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from idlehands._rings import NO_TOKEN, Ring, SpawnRing, Token


def put_spawn(ring: SpawnRing) -> Token:
    task = ring.next_number()
    token = (task, -1, 0, 1000 + task, -1, -1)
    ring.slots[task & ring.mask] = token
    return token


def fill(ring: Ring, count: int) -> None:
    for _ in range(count):
        ring.put((ring.written, ring.written * 7))


@pytest.mark.parametrize(("asked", "got"), [(1, 1), (2, 2), (3, 4), (256, 256), (257, 512)])
def test_a_ring_has_a_power_of_two_of_slots(asked, got):
    assert len(Ring(asked).slots) == len(SpawnRing(asked).slots) == got


@pytest.mark.parametrize("ring", [Ring(8), SpawnRing(8)], ids=["rows", "spawns"])
def test_an_empty_ring_gives_nothing_and_loses_nothing(ring):
    assert ring.read(0, 10) == (0, [])


def test_rows_come_back_as_they_were_put():
    ring = Ring(8)
    fill(ring, 3)
    assert ring.read(0, 10) == (0, [(0, 0), (1, 7), (2, 14)])


def test_a_ring_keeps_its_size_however_much_is_put():
    ring = Ring(8)
    fill(ring, 1000)
    assert len(ring.slots) == 8
    assert ring.written == 1000


def test_a_full_ring_gives_its_newest_rows_across_the_seam():
    ring = Ring(8)
    fill(ring, 13)
    first, rows = ring.read(0, 100)
    assert first == 6
    assert [row[0] for row in rows] == [6, 7, 8, 9, 10, 11, 12]


def test_a_limit_is_filled_even_right_after_a_loss():
    ring = Ring(8)
    fill(ring, 13)
    first, rows = ring.read(0, 3)
    assert (first, [row[0] for row in rows]) == (6, [6, 7, 8])


def test_a_reader_that_is_up_to_date_gets_nothing():
    ring = Ring(8)
    fill(ring, 13)
    assert ring.read(13, 100) == (13, [])


def test_rows_overwritten_while_they_are_copied_are_left_out():
    class Overtaken(Ring):
        """A ring whose writer puts five rows while a reader copies."""

        def _copy(self, slots, first, end):
            rows = super()._copy(slots, first, end)
            fill(self, 5)
            return rows

    ring = Overtaken(8)
    fill(ring, 8)
    first, rows = ring.read(0, 100)
    assert (first, [row[0] for row in rows]) == (6, [6, 7])


def test_a_row_is_in_its_slot_before_it_is_counted():
    counted = []
    ring = Ring(8)

    class Watched(list):
        def __setitem__(self, index, row):
            counted.append(ring.written)
            super().__setitem__(index, row)

    ring.slots = Watched(ring.slots)
    fill(ring, 3)
    assert counted == [0, 1, 2]


def test_a_reader_overtaken_in_all_it_copied_gets_nothing_and_goes_on_after_it():
    class Overtaken(Ring):
        """A ring whose writer goes round while a reader copies."""

        def _copy(self, slots, first, end):
            rows = super()._copy(slots, first, end)
            fill(self, 20)
            return rows

    ring = Overtaken(8)
    fill(ring, 4)
    assert ring.read(0, 100) == (4, [])


STEPS = st.lists(st.tuples(st.integers(0, 40), st.integers(1, 20)), max_size=25)


@settings(deadline=None, database=None)
@given(st.integers(1, 20), STEPS)
def test_a_ring_gives_exactly_what_is_not_overwritten_and_the_rest_is_the_loss(size, steps):
    ring = Ring(size)
    slots = len(ring.slots)
    position = 0
    for count, limit in steps:
        fill(ring, count)
        first, rows = ring.read(position, limit)
        kept = range(max(position, ring.written - slots + 1), ring.written)[:limit]
        assert [row[0] for row in rows] == list(kept)
        if kept:
            assert first == kept[0]
        assert first >= position
        position = first + len(rows)
        assert position <= ring.written


@settings(deadline=None, database=None)
@given(st.integers(1, 20), STEPS)
def test_a_spawn_ring_gives_exactly_what_is_not_overwritten_and_the_rest_is_the_loss(size, steps):
    ring = SpawnRing(size)
    slots = len(ring.slots)
    position = written = 0
    for count, limit in steps:
        for _ in range(count):
            put_spawn(ring)
        written += count
        first, rows = ring.read(position, limit)
        kept = range(max(position, written - slots), written)[:limit]
        assert rows == [1000 + number for number in kept]
        if kept:
            assert first == kept[0]
        position = first + len(rows)


def test_a_spawn_whose_token_is_not_in_its_slot_yet_is_waited_for():
    ring = SpawnRing(8)
    put_spawn(ring)
    late = ring.next_number()
    put_spawn(ring)
    assert ring.read(0, 10) == (0, [1000])
    ring.slots[late & ring.mask] = (late, -1, 0, 5, -1, -1)
    assert ring.read(1, 10) == (1, [5, 1002])


def test_a_spawn_ring_starts_with_slots_that_hold_no_token():
    assert set(SpawnRing(4).slots) == {NO_TOKEN}


@pytest.fixture
def fine_switching() -> Iterator[None]:
    usual = sys.getswitchinterval()
    sys.setswitchinterval(1e-6)
    yield
    sys.setswitchinterval(usual)


@pytest.mark.usefixtures("fine_switching")
@pytest.mark.parametrize("size", [4, 64, 1024])
def test_a_reader_that_races_the_writer_gets_whole_rows_in_order_and_an_exact_loss(size):
    ring = Ring(size)
    count = 40_000
    writer = threading.Thread(target=fill, args=(ring, count))
    writer.start()
    position = read = lost = 0
    while writer.is_alive() or position < count:
        first, rows = ring.read(position, 300)
        assert [row[0] for row in rows] == list(range(first, first + len(rows)))
        assert all(row[1] == row[0] * 7 for row in rows)
        lost += first - position
        read += len(rows)
        position = first + len(rows)
    writer.join()
    assert read > 0
    assert lost + read == count


@pytest.mark.usefixtures("fine_switching")
def test_a_reader_that_races_many_spawners_gets_whole_rows_in_order_and_an_exact_loss():
    ring = SpawnRing(1 << 13)
    each = 15_000
    together = threading.Barrier(4)

    def spawn() -> None:
        for count in range(each):
            if count % 1000 == 0:
                together.wait()  # nobody is so far behind that the others go round meanwhile
            put_spawn(ring)

    writers = [threading.Thread(target=spawn) for _ in range(4)]
    for writer in writers:
        writer.start()
    position = read = lost = 0
    while any(writer.is_alive() for writer in writers) or position < 4 * each:
        first, rows = ring.read(position, 300)
        assert rows == [1000 + number for number in range(first, first + len(rows))]
        lost += first - position
        read += len(rows)
        position = first + len(rows)
    assert lost + read == 4 * each
