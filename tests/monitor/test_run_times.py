"""From when to when a report is: in local time with its zone, and in seconds of the run."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime, timezone

import pytest
from readings import HOSTILE, reading, source

from histories import History, Task, frames, take_in
from idlehands_monitor.ledger import Ledger
from idlehands_monitor.model.run_clock import MarkReading, RunClock
from idlehands_monitor.session.description import run_clock
from idlehands_monitor.session.machine import Machine, Zone
from idlehands_monitor.views import html, line, markdown, text, times
from idlehands_monitor.views import json as json_view

SECOND = 1_000_000_000
# POSIX.1-2017, 4.16, defines seconds since the Epoch by a formula of year, day, hour, minute and
# second; it gives 1,700,000,000 for 2023-11-14 22:13:20 UTC.
WALL_NS = 1_700_000_000 * SECOND
CLOCK = RunClock(0, WALL_NS, 3600, "CET")
HELLO = {"frame": "hello", "version": 3, "pid": 7}


def test_a_timestamp_is_a_second_of_the_run_and_a_local_time():
    clock = replace(CLOCK, zero_ns=5 * SECOND)
    assert clock.second(6_500_000_000) == 1.5
    assert clock.timestamp_ns(1.5) == 6_500_000_000
    local = clock.local(6_500_000_000)
    assert local.astimezone(timezone.utc) == datetime(
        2023, 11, 14, 22, 13, 21, 500_000, timezone.utc
    )
    assert (local.hour, local.tzname()) == (23, "CET")
    assert clock.timestamp_of(local) == 6_500_000_000
    assert clock.timestamp_of(local.replace(tzinfo=None)) == 6_500_000_000


def test_without_a_wall_clock_there_is_no_local_time():
    clock = RunClock(0)
    assert clock.local(SECOND) is None
    assert clock.timestamp_of(datetime(2023, 11, 14)) is None


@pytest.mark.parametrize(
    ("clock", "window", "sentence"),
    [
        (
            CLOCK,
            (SECOND, 11 * SECOND),
            "Window: 2023-11-14 23:13:21 to 23:13:31 CET (UTC+01:00), 1.0 s to 11.0 s of the run.",
        ),
        (
            CLOCK,
            (SECOND, 3601 * SECOND),
            "Window: 2023-11-14 23:13:21 to 2023-11-15 00:13:21 CET (UTC+01:00), 1.0 s to "
            "3601.0 s of the run.",
        ),
        (
            replace(CLOCK, utc_offset_s=-12600, zone="NST"),
            (0, SECOND // 4),
            "Window: 2023-11-14 18:43:20.000 to 18:43:20.250 NST (UTC-03:30), 0.000 s to 0.250 s "
            "of the run.",
        ),
        (
            replace(CLOCK, utc_offset_s=0, zone="UTC"),
            (0, 5 * SECOND),
            "Window: 2023-11-14 22:13:20 to 22:13:25 UTC, 0.0 s to 5.0 s of the run.",
        ),
        (
            RunClock(0),
            (0, 5 * SECOND),
            "Window: 0.0 s to 5.0 s of the run; the local time is not known.",
        ),
        (None, (0, 5 * SECOND), ""),
        (CLOCK, None, ""),
    ],
)
def test_a_window_is_written_in_local_time_with_its_zone_and_in_seconds_of_the_run(
    clock, window, sentence
):
    assert times.window_sentence(clock, window) == sentence


@pytest.mark.parametrize("view", [text.explain, markdown.render, html.render])
def test_every_report_says_from_when_to_when_it_is(view):
    shown = reading(clock=CLOCK)
    written = view(shown)
    assert "2023-11-14 23:13:20 to 23:13:31 CET" in written
    assert "0.0 s to 11.0 s of the run" in written


def test_a_line_without_a_screen_says_from_when_to_when_it_is():
    written = line.second_line(reading(clock=CLOCK))
    assert "(23:13:20–23:13:31 CET (UTC+01:00) · 0.0–11.0 s of the run)" in written


def test_the_document_has_the_window_the_marks_and_when_the_run_began():
    shown = replace(reading(clock=CLOCK), marks=(MarkReading(2 * SECOND, HOSTILE),))
    document = json.loads(json_view.render(shown))
    assert document["window"] == {
        "begin_s": 0.0,
        "begin": "2023-11-14T23:13:20.000+01:00",
        "end_s": 11.0,
        "end": "2023-11-14T23:13:31.000+01:00",
    }
    assert document["marks"] == [
        {"note": HOSTILE, "at_s": 2.0, "at": "2023-11-14T23:13:22.000+01:00"}
    ]
    assert document["source"]["clock"] == {
        "run_began": "2023-11-14T23:13:20.000+01:00",
        "zone": "CET",
        "utc_offset_s": 3600,
    }


@pytest.mark.parametrize("view", [text.explain, markdown.render, html.render])
def test_the_marks_of_a_window_are_a_table_and_their_notes_obey_nothing(view):
    marks = (MarkReading(2 * SECOND, HOSTILE),)
    written = view(replace(reading(clock=CLOCK), marks=marks))
    assert "23:13:22.000 CET" in written
    assert "2.00 s" in written
    assert "\x1b" not in written
    assert "<b>&" not in written or view is text.explain  # which is no markup


def test_a_pool_that_was_there_for_a_part_of_the_window_says_so():
    shown = reading(clock=CLOCK)
    (pool,) = shown.pools
    late = replace(pool, number=1, name="late", begin_ns=6 * SECOND)
    written = text.explain(replace(shown, pools=(pool, late)))
    own = "Window: 2023-11-14 23:13:26 to 23:13:31 CET (UTC+01:00), 6.0 s to 11.0 s of the run."
    assert written.count("Window: ") == 2
    assert own in written[written.index("Pool late") :]


# -- where the clock comes from ------------------------------------------------------------------


def clock_of(*given):
    ledger = Ledger()
    take_in(ledger, *given)
    return run_clock(ledger, Machine(zone=lambda wall_s: Zone(7200, f"at {wall_s:.0f}")))


def process(pid, started_ns, at_ns=9 * SECOND):
    return {"frame": "process", "at_ns": at_ns, "pid": pid, "started_ns": started_ns}


def a_pool():
    return frames(History(1, 4 * SECOND, tasks=[Task(0, 0, 0, 0, 4 * SECOND)]))


def test_a_run_begins_when_its_first_process_started():
    hello = {**HELLO, "now_ns": 3 * SECOND, "wall_ns": WALL_NS}
    clock = clock_of(hello, *a_pool(), process(8, -9 * SECOND), process(7, -2 * SECOND))
    # Complete up to second 4, which is one second after the hello frame.
    assert clock == RunClock(-2 * SECOND, WALL_NS - 5 * SECOND, 7200, "at 1700000001")
    later = clock_of(hello, *a_pool(), process(7, -2 * SECOND), process(7, -1 * SECOND))
    assert later == clock  # the first sample says it, so that seconds stay what they are


def test_where_no_sample_says_so_a_run_begins_with_its_first_pool():
    assert clock_of(HELLO, *a_pool()) == RunClock(0)
    assert clock_of({**HELLO, "now_ns": 5, "wall_ns": 9}).zero_ns == 5
    assert clock_of() is None


def test_the_window_of_a_reading_is_that_of_all_its_pools():
    shown = reading()
    (pool,) = shown.pools
    other = replace(pool, begin_ns=-SECOND, end_ns=SECOND)
    assert replace(shown, pools=(pool, other)).window_ns == (-SECOND, pool.end_ns)
    assert replace(shown, pools=()).window_ns is None
    assert source().clock is None
