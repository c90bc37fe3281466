"""A recording is the same live, as a capture, and as an SQLite export of it that is read again."""

from __future__ import annotations

import random
import sqlite3
import sys
from collections import Counter
from itertools import accumulate
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from recordings import (
    CORPUS,
    REAL,
    anonymous,
    exported,
    plain,
    portions,
    reading_of,
    thin_pool,
    without_change,
    write_capture,
)

from idlehands_monitor.ingest.capture import CaptureError, CaptureReader, NotACapture
from idlehands_monitor.ingest.intake import Intake, made
from idlehands_monitor.ingest.rows import TOTALS
from idlehands_monitor.ingest.sources.replay import open_recording
from idlehands_monitor.ingest.sources.status import SourceStatus
from idlehands_monitor.model.export_form import ExportForm
from idlehands_monitor.model.vocabulary import StreamState
from idlehands_monitor.session.exporting import export
from idlehands_monitor.session.feed import Feed

sys.path.append(str(Path(__file__).resolve().parent.parent / "fuzz"))
from hostile import hostile

UNSHRUNK = (Phase.explicit, Phase.reuse, Phase.generate)
"""A smaller seed is no simpler example."""
SAME_FOLDER = settings(
    max_examples=15,
    phases=UNSHRUNK,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


class Live:
    """A live stream whose frames the test hands in."""

    target = "a live job"
    status = SourceStatus(StreamState.ENDED)

    def __init__(self):
        self.intake = Intake()

    def portions(self):
        yield self.intake.drain()


@SAME_FOLDER
@given(seed=st.integers(0, 2**32))
def test_a_live_reading_is_that_of_its_capture_and_that_of_its_export(tmp_path, seed):
    capture, target = tmp_path / "a.idlehands", tmp_path / "a.sqlite"
    live = Live()
    feed = Feed(live, None, keep=True)
    live.intake.start_capture(str(capture), replace=True)
    for block in thin_pool(seed):
        for frame in block:
            live.intake.take(made(frame))
        feed.update()
    live.intake.stop_capture()
    exported(capture, ExportForm.SQLITE, target, replace=True)
    reading = feed.reading()
    assert len(reading.pools) == 1 or seed % 3 == 0  # so many rows are lost that none are left
    assert anonymous(reading) == anonymous(reading_of(capture))
    assert anonymous(reading) == anonymous(reading_of(target))


@SAME_FOLDER
@given(seed=st.integers(0, 2**32))
def test_every_frame_of_a_made_up_recording_comes_back_in_its_block(tmp_path, seed):
    capture, target = tmp_path / "a.idlehands", tmp_path / "a.sqlite"
    capture.unlink(missing_ok=True)
    write_capture(capture, thin_pool(seed))
    exported(capture, ExportForm.SQLITE, target, replace=True)
    assert plain(portions(target)) == plain(portions(capture))


@settings(SAME_FOLDER, max_examples=6)  # some of them are large
@given(seed=st.integers(0, 2**32))
def test_every_frame_of_a_hostile_capture_comes_back(tmp_path, seed):
    capture, target = tmp_path / "a.idlehands", tmp_path / "a.sqlite"
    capture.write_bytes(hostile(random.Random(seed)))
    export(str(capture), ExportForm.SQLITE, str(target), replace=True, clean=without_change)
    assert_same(target, capture)


def assert_same(target, capture):
    """Fail unless two recordings have the same blocks, frames, and counts of what was left out."""
    (times, found, warning), (expected_times, expected, _) = portions(target), portions(capture)
    assert (times, warning) == (expected_times, "")
    of_the_wire, counts = apart(found)
    expected_of_the_wire, expected_counts = apart(expected)
    assert plain(of_the_wire) == plain(expected_of_the_wire)
    assert counts == expected_counts


def apart(frames):
    """Return the frames of the wire, and counts of what was left out, whose order means nothing."""
    counts = Counter()
    for frame in frames:
        if frame["frame"] == "skipped":
            counts[frame["what"], frame["why"]] += frame["count"]
    return [frame for frame in frames if frame["frame"] != "skipped"], counts


@pytest.mark.parametrize("path", REAL, ids=lambda path: path.name)
def test_a_real_capture_and_its_export_have_the_same_frames_and_reading(tmp_path, path):
    target = exported(path, ExportForm.SQLITE, tmp_path / "a.sqlite")
    assert plain(portions(target)) == plain(portions(path))
    assert anonymous(reading_of(target)) == anonymous(reading_of(path))


def test_older_frames_and_pools_past_a_limit_come_back(tmp_path):
    names, *_ = thin_pool(1)[0][1:]
    eight = np.arange(2, dtype="<i8").tobytes()
    frames = [
        {"frame": "hello", "version": 2, "pid": 70},
        {**names, "pool": 1, "workers": 2_000, "threads": []},
        # Before version 3 a frame held the rows of one ring, or the totals of one thief.
        {"frame": "rows", "pool": 1, "table": "spawns", "worker": -1, "first": 3, "rows": 2,
         "columns": {"spawned_ns": eight}},
        {"frame": "counters", "pool": 1, "worker": 1,
         **dict.fromkeys(("hits", "empties", "lost_races"), eight)},
        {"frame": "rows", "pool": 1, "table": "waits", "parts": [[1_500, 0, 2]],
         "columns": {"task": eight, "began_ns": eight, "ended_ns": eight}},
    ]  # fmt: skip
    capture = write_capture(tmp_path / "a.idlehands", [frames])
    target = exported(capture, ExportForm.SQLITE, tmp_path / "a.sqlite")
    assert len(portions(capture)[1]) == len(frames) + 1  # and what is left out of the last one
    assert_same(target, capture)


def test_an_export_can_be_read_on_from_any_of_its_blocks(tmp_path):
    capture = write_capture(tmp_path / "a.idlehands", thin_pool(4))
    reader = open_recording(exported(capture, ExportForm.SQLITE, tmp_path / "a.sqlite"))
    blocks = list(reader)
    assert len(blocks) > 3
    for place, block in enumerate(blocks):
        assert list(reader.blocks(block.start)) == blocks[place:]


def test_the_facts_of_the_header_and_totals_come_back(tmp_path):
    names = TOTALS
    columns = {name: np.arange(3, dtype="<i8").tobytes() for name in names}
    totals = {"frame": "totals", "pool": 0, "columns": columns}
    capture = write_capture(tmp_path / "a.idlehands", [*thin_pool(4), [totals]])
    target = exported(capture, ExportForm.SQLITE, tmp_path / "a.sqlite")
    assert open_recording(target).facts == CaptureReader(capture).facts
    assert CaptureReader(capture).facts["cores"]
    assert_same(target, capture)
    assert portions(target)[1][-1]["frame"] == "totals"


def test_an_export_of_an_export_is_the_same_again(tmp_path):
    first = exported(REAL[0], ExportForm.SQLITE, tmp_path / "a.sqlite")
    second = exported(first, ExportForm.SQLITE, tmp_path / "b.sqlite")
    assert plain(portions(second)) == plain(portions(first))


@pytest.fixture
def export_file(tmp_path):
    return exported(CORPUS / "tide.idlehands", ExportForm.SQLITE, tmp_path / "a.sqlite")


def change(path, *statements):
    database = sqlite3.connect(path)
    for sql in statements:
        database.execute(sql)
    database.commit()
    database.close()


@pytest.mark.parametrize(
    ("sql", "said"),
    [
        ("PRAGMA application_id = 5", "not an export of idlehands"),
        ("PRAGMA user_version = 2", "version 2 of the layout of exports"),
        ("DROP TABLE kinds", "its table kinds is not that of an export"),
        ("ALTER TABLE frames ADD COLUMN more", "its table frames is not that of an export"),
    ],
)
def test_what_is_no_export_is_refused_in_one_line(export_file, sql, said):
    change(export_file, sql)
    with pytest.raises(NotACapture, match=said):
        open_recording(export_file)


def test_a_view_in_the_place_of_a_table_is_refused(export_file):
    change(
        export_file,
        "ALTER TABLE frames RENAME TO held",
        "CREATE VIEW frames AS SELECT * FROM held",
    )
    with pytest.raises(NotACapture, match="its table frames"):
        open_recording(export_file)


@pytest.mark.parametrize(
    "sql",
    [
        "DELETE FROM tasks WHERE id % 2",
        "UPDATE tasks SET started_ns = 'soon'",
        "UPDATE tasks SET started_ns = 1.5",
        "UPDATE tasks SET kind = -7",
        "UPDATE frames SET first_row = 1 WHERE kind = 'rows'",
        "UPDATE frames SET first_row = 9223372036854775807 WHERE kind = 'rows'",
        "UPDATE frames SET first_row = NULL",
        "UPDATE frames SET content = '[' WHERE kind = 'rows'",
        "UPDATE frames SET content = '{\"table\": []}' WHERE kind = 'rows'",
        "UPDATE frames SET content = x'ff00'",
        "UPDATE frames SET content = replace(content, '[', '[[')",
        "UPDATE frames SET content = '{\"pairs\": [[[], 1]]}'",
        "UPDATE frames SET kind = 'stacks'",
        "UPDATE frames SET content = '{\"totals\": 5}' , kind = 'counters'",
        "DELETE FROM frames WHERE frame > 5",
        "UPDATE blocks SET frames = 1000000000000",
        "UPDATE blocks SET closed_ns = 'x'",
    ],
)
def test_a_changed_export_costs_what_was_changed_and_is_reported(export_file, sql):
    whole = portions(export_file)[1]
    change(export_file, sql)
    _, frames, warning = portions(export_file)
    assert warning or any(frame["frame"] == "skipped" for frame in frames)
    assert sum(frame["frame"] != "skipped" for frame in frames) <= len(whole)
    reading_of(export_file)


def test_a_frame_of_a_later_version_of_the_wire_is_refused(export_file):
    change(export_file, "UPDATE frames SET content = '{\"version\": 99}' WHERE kind = 'hello'")
    with pytest.raises(NotACapture, match="version 99"):
        portions(export_file)


def said_of(path):
    """Return why a recording is refused, or the warning at its end."""
    try:
        return portions(path)[2]
    except CaptureError as error:
        return str(error)


def test_a_cut_database_is_refused_or_read_with_a_warning(export_file, tmp_path):
    data = Path(export_file).read_bytes()
    cut = tmp_path / "cut.sqlite"
    for length in range(16, len(data), len(data) // 40):
        cut.write_bytes(data[:length])
        assert "\n" not in said_of(cut) != ""


def test_reading_an_export_writes_nothing_beside_it(export_file):
    before = sorted(Path(export_file).parent.iterdir())
    change(export_file, "PRAGMA journal_mode = WAL")
    portions(export_file)
    assert sorted(Path(export_file).parent.iterdir()) == before


def test_a_frame_that_is_too_long_with_all_its_columns_becomes_several(tmp_path):
    names, *_ = thin_pool(1)[0][1:]
    rows = 100_000
    part = {"task": np.arange(rows, dtype="<i8").tobytes(), "spawned_ns": bytes(8 * rows)}
    part |= {name: bytes(8 * rows) for name in ("started_ns", "ended_ns")}
    frame = {"frame": "rows", "pool": 0, "table": "tasks", "columns": part,
             "parts": [[0, 0, rows - 10], [0, rows - 10, 10]]}  # fmt: skip
    hello = {"frame": "hello", "version": 3, "pid": 70}
    capture = write_capture(tmp_path / "a.idlehands", [[hello, names, frame]])
    target = exported(capture, ExportForm.SQLITE, tmp_path / "a.sqlite")
    found = [frame for frame in portions(target)[1] if frame["frame"] == "rows"]
    assert len(found) > 1
    assert np.concatenate([one["values"][0] for one in found]).tolist() == list(range(rows))
    firsts = [one for frame in found for one in frame["parts"]]
    assert sum(kept for *_, kept in firsts) == sum(count for _, _, count, _ in firsts) == rows
    assert [first for _, first, _, _ in firsts] == list(
        accumulate([count for _, _, count, _ in firsts[:-1]], initial=0)
    )


def test_rows_that_were_left_out_are_counted_once_in_the_export(tmp_path):
    blocks = thin_pool(5)
    rows = next(frame for frame in blocks[0] if frame.get("table") == "tasks")
    columns = dict(rows["columns"])
    columns["kind"] = b"\xf0" * len(columns["kind"])
    blocks[0][blocks[0].index(rows)] = {**rows, "columns": columns}
    capture = write_capture(tmp_path / "a.idlehands", blocks)
    target = exported(capture, ExportForm.SQLITE, tmp_path / "a.sqlite")
    assert reading_of(capture).source.skipped
    assert reading_of(target).source.skipped == reading_of(capture).source.skipped


def test_a_capture_reader_is_still_what_opens_a_capture(tmp_path):
    path = write_capture(tmp_path / "a.idlehands", thin_pool(1))
    assert isinstance(open_recording(path), CaptureReader)
