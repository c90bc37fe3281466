"""Spans: OTLP in JSON, by the published names and encodings.

Sources: opentelemetry-proto, commit 05e412fbc8a6d4a5af55ddc1b56c7d09f0ffcba9,
opentelemetry/proto/trace/v1/trace.proto and common/v1/common.proto (names, numbers of the enums);
"OTLP Specification", JSON Protobuf Encoding (lowerCamelCase, ids in hexadecimal, enums as
integers, 64-bit integers as text as in proto3 JSON); "OpenTelemetry Protocol File Exporter" (JSON
lines of TracesData).
"""

from __future__ import annotations

import json
import re

import numpy as np
import pytest
from recordings import REAL, exported, small_history, without_change, write_capture

from histories import frames
from idlehands_monitor.ingest.exports.span_roots import Roots
from idlehands_monitor.model.export_form import ExportForm
from idlehands_monitor.session.exporting import NO_WALL_CLOCK, export

WALL = 1_700_000_000_000_000_000
HELLO = {"frame": "hello", "version": 3, "pid": 70, "argv0": "/srv/berth.py", "python": "3.12.1",
         "now_ns": 500, "wall_ns": WALL}  # fmt: skip
FIXED64 = ("int", re.compile(r"\d+"))
INT64 = ("int", re.compile(r"-?\d+"))

ANY_VALUE = {"stringValue": str, "boolValue": bool, "intValue": INT64, "doubleValue": float}
KEY_VALUE = {"key": str, "value": ANY_VALUE}
MESSAGES = {
    "resourceSpans": [
        {
            "resource": {"attributes": [KEY_VALUE], "droppedAttributesCount": int},
            "scopeSpans": [
                {
                    "scope": {"name": str, "version": str, "attributes": [KEY_VALUE]},
                    "spans": [
                        {
                            "traceId": re.compile("[0-9a-f]{32}"),
                            "spanId": re.compile("[0-9a-f]{16}"),
                            "traceState": str,
                            "parentSpanId": re.compile("[0-9a-f]{16}"),
                            "flags": int,
                            "name": str,
                            "kind": range(6),
                            "startTimeUnixNano": FIXED64,
                            "endTimeUnixNano": FIXED64,
                            "attributes": [KEY_VALUE],
                            "links": [
                                {
                                    "traceId": re.compile("[0-9a-f]{32}"),
                                    "spanId": re.compile("[0-9a-f]{16}"),
                                    "attributes": [KEY_VALUE],
                                }
                            ],
                            "status": {"message": str, "code": range(3)},
                        }
                    ],
                    "schemaUrl": str,
                }
            ],
            "schemaUrl": str,
        }
    ]
}
"""TracesData and what is in it: the fields that the proto files have, and the form of each."""
REQUIRED = {"traceId", "spanId", "name", "startTimeUnixNano", "endTimeUnixNano"}


def check(value, form):
    """Fail where a value is not of a form of the published messages."""
    if isinstance(form, dict):
        assert set(value) <= set(form)
        for key, inner in value.items():
            check(inner, form[key])
    elif isinstance(form, list):
        for one in value:
            check(one, form[0])
    elif isinstance(form, range):
        assert type(value) is int
        assert value in form
    elif isinstance(form, (re.Pattern, tuple)):
        pattern = form[1] if isinstance(form, tuple) else form
        assert type(value) is str
        assert pattern.fullmatch(value), value
    else:
        assert type(value) is form


def messages(path, tmp_path):
    with open(exported(path, ExportForm.SPANS, tmp_path / "x.jsonl"), encoding="utf-8") as file:
        return [json.loads(line) for line in file]


def spans_in(found):
    return [
        span
        for message in found
        for resource in message["resourceSpans"]
        for scope in resource["scopeSpans"]
        for span in scope["spans"]
    ]


@pytest.fixture
def small(tmp_path):
    path = write_capture(tmp_path / "a.idlehands", [[HELLO, *frames(small_history())]])
    return messages(path, tmp_path)


def attributes(of):
    return {one["key"]: next(iter(one["value"].values())) for one in of["attributes"]}


def by_task(found):
    return {
        int(attributes(span)["idlehands.task"]): span
        for span in spans_in(found)
        if "idlehands.task" in attributes(span)
    }


@pytest.mark.parametrize("path", REAL[1:], ids=lambda path: path.name)
def test_every_message_is_of_the_published_form(path, tmp_path):
    found = messages(path, tmp_path)
    assert found
    for message in found:
        check(message, MESSAGES)
    ids = [(span["traceId"], span["spanId"]) for span in spans_in(found)]
    assert len(ids) == len(set(ids))
    for span in spans_in(found):
        assert set(span) >= REQUIRED
        assert span["name"]
        assert int(span["spanId"], 16)
        assert int(span["traceId"], 16)
        assert int(span["startTimeUnixNano"]) <= int(span["endTimeUnixNano"])
        assert len(attributes(span)) == len(span["attributes"])  # keys must be unique


def test_times_are_those_of_the_wall_clock(small):
    span = by_task(small)[0]
    assert int(span["startTimeUnixNano"]) == WALL - 500 + 1_000
    assert int(span["endTimeUnixNano"]) == WALL - 500 + 5_000


def test_a_task_that_another_spawned_is_its_child_in_the_same_trace(small):
    tasks = by_task(small)
    assert "parentSpanId" not in tasks[0]
    assert tasks[1]["parentSpanId"] == tasks[0]["spanId"]
    assert tasks[1]["traceId"] == tasks[0]["traceId"]


def test_tasks_handed_in_from_outside_begin_traces_of_their_own(small):
    tasks = by_task(small)
    assert tasks[0]["traceId"] != tasks[2]["traceId"]


def test_a_join_is_a_span_in_its_task_with_a_link_to_the_task_joined(small):
    join = next(span for span in spans_in(small) if span["name"] == "join")
    tasks = by_task(small)
    assert join["parentSpanId"] == tasks[0]["spanId"]
    assert join["links"] == [{"traceId": tasks[1]["traceId"], "spanId": tasks[1]["spanId"]}]


def test_a_failed_task_has_the_status_error(small):
    tasks = by_task(small)
    assert tasks[2]["status"] == {"code": 2, "message": "failed"}
    assert "status" not in tasks[0]


def test_the_resource_is_the_process(small):
    found = attributes(small[0]["resourceSpans"][0]["resource"])
    assert found == {
        "service.name": "berth.py",
        "process.pid": "70",
        "process.runtime.version": "3.12.1",
    }


def test_without_a_wall_clock_the_export_says_so(tmp_path):
    hello = {key: value for key, value in HELLO.items() if key not in ("now_ns", "wall_ns")}
    path = write_capture(tmp_path / "a.idlehands", [[hello, *frames(small_history())]])
    target = str(tmp_path / "x")
    said = export(path, ExportForm.SPANS, target, replace=False, clean=without_change)
    assert said == NO_WALL_CLOCK


def roots_of(*pairs):
    found = Roots()
    values = np.zeros((11, len(pairs)), dtype=np.int64)
    values[:2] = np.array(pairs).T
    found.add(0, {"values": values})
    return found.of(0, np.array([task for task, _ in pairs])).tolist()


def test_the_root_is_the_first_ancestor_whatever_the_order():
    assert roots_of((5, 4), (4, 3), (3, 0), (2, 1), (9, -1)) == [0, 0, 0, 1, 9]


def test_a_long_chain_of_spawns_has_one_root():
    assert set(roots_of(*((task, task - 1) for task in range(1, 5_000)))) == {0}


def test_a_circle_of_parents_ends():
    assert len(roots_of((1, 2), (2, 3), (3, 1))) == 3
