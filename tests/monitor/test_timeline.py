"""The trace: complete events that nest, names, counters, by the Trace Event Format.

Source of the keys and of the phases: "Trace Event Format" (Google Docs
1CvAClvFfyA5R-PhYUmn5OOQtYMH4h6I0nSsKchNAySU), "JSON Object Format", "Complete Events", "Counter
Events", "Metadata Events".
"""

from __future__ import annotations

import json

import pytest
from recordings import REAL, exported, small_history, write_capture

from histories import frames
from idlehands_monitor.ingest.exports.timeline import microseconds
from idlehands_monitor.model.export_form import ExportForm

KEYS = {
    "X": {"name", "cat", "ph", "ts", "dur", "pid", "tid", "args"},
    "C": {"name", "ph", "ts", "pid", "args"},
    "M": {"name", "ph", "ts", "pid", "tid", "args"},
    "i": {"name", "ph", "ts", "s", "pid", "tid"},
}
METADATA = {"process_name", "process_sort_index", "thread_name", "thread_sort_index"}
HELLO = {"frame": "hello", "version": 3, "pid": 70}


def trace(path, tmp_path):
    with open(exported(path, ExportForm.TRACE, tmp_path / "x.json"), encoding="utf-8") as file:
        return json.load(file)


def small(tmp_path, *more):
    return write_capture(tmp_path / "a.idlehands", [[HELLO, *frames(small_history()), *more]])


def spans_of(found, category):
    return [
        (event["name"], event["tid"], event["ts"], event["dur"])
        for event in found["traceEvents"]
        if event.get("cat") == category
    ]


def test_tasks_waits_and_idle_intervals_are_events_of_their_worker(tmp_path):
    found = trace(small(tmp_path), tmp_path)
    assert sorted(spans_of(found, "task"), key=lambda event: event[2]) == [
        ("task", 1, 1.0, 4.0),
        ("task", 2, 2.0, 2.0),
        ("task", 2, 6.0, 3.0),
    ]
    assert spans_of(found, "wait") == [("join", 1, 2.5, 1.7)]
    assert spans_of(found, "idle") == [("parked", 2, 4.0, 2.0)]


@pytest.mark.parametrize("path", REAL[1:], ids=lambda path: path.name)
def test_a_real_trace_has_the_keys_of_the_format_and_no_other(path, tmp_path):
    found = trace(path, tmp_path)
    assert set(found) == {"displayTimeUnit", "otherData", "traceEvents"}
    assert found["displayTimeUnit"] == "ns"
    phases = {event["ph"] for event in found["traceEvents"]}
    assert {"X", "M", "C"} <= phases
    for event in found["traceEvents"]:
        assert set(event) == KEYS[event["ph"]]
        assert event["ph"] != "M" or event["name"] in METADATA
        assert event.get("dur", 0) >= 0


@pytest.mark.parametrize("path", REAL[1:], ids=lambda path: path.name)
def test_events_of_a_worker_follow_each_other_or_nest(path, tmp_path):
    workers = {}
    for event in trace(path, tmp_path)["traceEvents"]:
        if event["ph"] == "X":
            ended = round(event["ts"] * 1000) + round(event["dur"] * 1000)
            interval = (round(event["ts"] * 1000), -ended)
            workers.setdefault((event["pid"], event["tid"]), []).append(interval)
    assert workers
    for intervals in workers.values():
        around = []
        for began, minus_ended in sorted(intervals):
            while around and around[-1] <= began:
                around.pop()
            assert not around or -minus_ended <= around[-1]
            around.append(-minus_ended)


def test_pools_and_workers_are_named(tmp_path):
    events = trace(small(tmp_path), tmp_path)["traceEvents"]
    named = {
        (event["name"], event["pid"], event["tid"]): event["args"].get("name")
        for event in events
        if event["ph"] == "M"
    }
    assert named["process_name", 1, 0] == "scripted (process 70)"
    assert named["thread_name", 1, 2] == "worker 1 worker-1"


def test_a_withdrawn_pool_is_left_out(tmp_path):
    found = trace(small(tmp_path, {"frame": "withdrawn", "pool": 0}), tmp_path)
    assert found["traceEvents"] == []


def test_times_are_exact_to_the_nanosecond():
    assert microseconds(1) == "0.001"
    assert microseconds(123_456_789_012_345_678) == "123456789012345.678"
    assert microseconds(-1_500) == "-1.500"
