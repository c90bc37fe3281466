"""Steal attempts over time: counted from snapshots, blank without one, with the window's sum."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from readings import reading, source

from histories import History, frames, levels_frame, names_frame, take_in
from idlehands.wire import encode_columns
from idlehands_monitor.analysis.assemble import read
from idlehands_monitor.analysis.stealing.timeline import MOST_SLICES, counted, slice_edges
from idlehands_monitor.ledger import Ledger
from idlehands_monitor.views import json as json_view

SECOND = 1_000_000_000
WORKERS = 2


def pool_with(snapshots, declared_ns=0):
    """Return a pool of two whose worker 0 had made (at, hits, empties, lost races) by then."""
    held = Ledger()
    take_in(held, names_frame(WORKERS, declared_ns=declared_ns))
    for at_ns, hits, empties, lost in snapshots:
        columns = encode_columns(
            ("hits", "empties", "lost_races"), ([0, hits], [0, empties], [0, lost])
        )
        take_in(held, {"frame": "counters", "pool": 0, "worker": 0, **columns})
        take_in(held, levels_frame(History(WORKERS, at_ns), at_ns=at_ns))
    return held.pools[0]


def every_second(seconds, step=10):
    return [(n * SECOND, step * n, 2 * step * n, n) for n in range(1, seconds + 1)]


def test_a_slice_is_the_difference_of_the_snapshots_at_its_edges():
    found = counted(pool_with(every_second(4)), [0, SECOND, 2 * SECOND, 4 * SECOND])
    assert found.hits == (10, 10, 20)
    assert found.empties == (20, 20, 40)
    assert found.lost_races == (1, 1, 2)
    assert found.attempts == (31, 31, 62)
    assert found.edges_s == (0.0, 1.0, 2.0, 4.0)
    assert found.counted_s == (1.0, 1.0, 2.0)


def test_a_slice_without_a_snapshot_is_blank_and_the_next_counts_from_before_it():
    pool = pool_with([(SECOND, 10, 0, 0), (4 * SECOND, 70, 0, 0)])
    found = counted(pool, [n * SECOND for n in range(5)])
    assert found.hits == (10, None, None, 60)
    assert found.attempts == (10, None, None, 60)
    assert found.counted_s == (1.0, 0.0, 0.0, 3.0)


def test_before_the_first_snapshot_of_a_pool_attached_to_late_nothing_is_known():
    pool = pool_with([(5 * SECOND, 1000, 0, 0), (6 * SECOND, 1010, 0, 0)])
    found = counted(pool, [3 * SECOND, 4 * SECOND, 5 * SECOND, 6 * SECOND])
    assert found.hits == (None, None, 10)


def test_a_pool_without_any_snapshot_is_blank_throughout():
    found = counted(pool_with([]), [0, SECOND, 2 * SECOND])
    assert found.attempts == (None, None)
    assert found.counted_s == (0.0, 0.0)


def test_counters_that_began_anew_make_no_negative_slice():
    pool = pool_with([(SECOND, 50, 0, 0), (2 * SECOND, 3, 0, 0), (3 * SECOND, 9, 0, 0)])
    found = counted(pool, [n * SECOND for n in range(4)])
    assert found.hits == (50, None, 6)


@given(
    st.lists(st.tuples(*[st.integers(1, 9)] * 4), min_size=2, max_size=12),
    st.lists(st.integers(1, 99), max_size=6),
    st.booleans(),
)
def test_slices_add_up_to_what_the_ledger_counts_of_the_window(steps, inner, late):
    at = hits = empties = lost = 0
    snapshots = []
    for took, more_hits, more_empties, more_lost in steps:
        at, hits = at + took * SECOND, hits + more_hits
        empties, lost = empties + more_empties, lost + more_lost
        snapshots.append((at, hits, empties, lost))
    pool = pool_with(snapshots)
    begin = snapshots[0][0] if late else 0
    edges = sorted({begin, at, *(begin + (at - begin) * part // 100 for part in inner)})
    found, whole = counted(pool, edges), pool.counts_between(begin, at)
    for values, counts in zip((found.hits, found.empties, found.lost_races), whole, strict=True):
        assert sum(value for value in values if value is not None) == counts.sum()
    assert sum(found.counted_s) == pytest.approx((at - begin) / SECOND)


def test_a_window_is_cut_into_equal_parts_that_hold_a_snapshot_each():
    pool = pool_with(every_second(40))
    edges = slice_edges(pool, 0, 40 * SECOND, live=False)
    assert edges == [n * 2 * SECOND for n in range(21)]
    assert None not in counted(pool, edges).attempts


def test_slices_of_a_live_window_stay_where_they_are_as_it_moves():
    pool = pool_with(every_second(40))
    one = slice_edges(pool, 10 * SECOND + 1, 20 * SECOND + 1, live=True)
    other = slice_edges(pool, 11 * SECOND, 21 * SECOND, live=True)
    assert set(one[1:-1]) & set(other[1:-1]) == {n * SECOND for n in (12, 14, 16, 18, 20)}
    assert (one[0], one[-1]) == (10 * SECOND + 1, 20 * SECOND + 1)


@pytest.mark.parametrize("live", [True, False])
def test_a_long_window_has_no_more_slices_than_fit(live):
    pool = pool_with(every_second(100))
    edges = slice_edges(pool, 0, 7200 * SECOND, live=live)
    assert len(edges) - 1 <= MOST_SLICES + 1
    assert edges == sorted(set(edges))


def test_the_document_has_the_timeline_and_what_random_attempts_would_need():
    steals = json.loads(json_view.render(reading(hits=100)))["pools"][0]["steals"]
    timeline = steals["timeline"]
    assert len(timeline["edges_s"]) == len(timeline["looks"]) + 1
    assert sum(filter(None, timeline["hits"])) == steals["hits"]
    assert {"empties", "lost_races", "counted_s"} <= set(timeline)
    assert "looks_at_random" in steals
    assert "looks_at_random" in steals["by_thief"][0]


def test_a_reading_of_a_capture_has_the_slices_of_its_whole_window():
    held = Ledger()
    for frame in frames(History(WORKERS, 10 * SECOND)):
        take_in(held, frame)
    (pool,) = read(held, source()).pools
    assert pool.stealing.timeline.edges_s == (0.0, 10.0)
