"""A part of a capture: what bounds mean, and that it reads as that time of the whole capture."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date, time, timezone

import pytest
from test_seek import MS, SECOND, capture

from idlehands.wire import encode
from idlehands_monitor.analysis.assemble import read_pool
from idlehands_monitor.cli import main
from idlehands_monitor.ingest.capture import CaptureReader, CaptureWriter
from idlehands_monitor.ledger import Mark
from idlehands_monitor.model.bounds import WHOLE, Bound, Cut, parsed
from idlehands_monitor.model.errors import USAGE, CommandError
from idlehands_monitor.model.run_clock import RunClock
from idlehands_monitor.session.cutting import cut_feed
from idlehands_monitor.session.recorded_run import Run, timestamp_of

__all__ = ["capture"]

CLOCK = RunClock(10 * SECOND, 1_700_000_000 * SECOND, 3600, "CET")  # 2023-11-14 23:13:20 CET
MARKS = (Mark(12 * SECOND, "deploy begins"), Mark(20 * SECOND, "deploy ends"))
RUN = Run(CLOCK, MARKS, 11 * SECOND, 50 * SECOND)


# -- what a text means ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "bound"),
    [
        ("12.5", Bound("12.5", second=12.5)),
        ("0s", Bound("0s", second=0.0)),
        ("1.5m", Bound("1.5m", second=90.0)),
        ("250ms", Bound("250ms", second=0.25)),
        ("14:03", Bound("14:03", time=time(14, 3))),
        ("9:03:05.5", Bound("9:03:05.5", time=time(9, 3, 5, 500_000))),
        (
            "2031-05-04 14:03:05",
            Bound("2031-05-04 14:03:05", time=time(14, 3, 5), day=date(2031, 5, 4)),
        ),
        (
            "2031-05-04T14:03:05+00:00",
            Bound(
                "2031-05-04T14:03:05+00:00",
                time=time(14, 3, 5, tzinfo=timezone.utc),
                day=date(2031, 5, 4),
            ),
        ),
        ("deploy begins", Bound("deploy begins", mark="deploy begins")),
        ("mark:12s", Bound("mark:12s", mark="12s")),
        ("12s later", Bound("12s later", mark="12s later")),
    ],
)
def test_a_text_is_a_second_of_the_run_a_local_time_or_a_mark(typed, bound):
    assert parsed(typed) == bound


@pytest.mark.parametrize("typed", ["", "  ", "mark:", "25:00", "14:61:00", "2031-13-04 10:00"])
def test_a_text_that_means_nothing_is_refused(typed):
    with pytest.raises(ValueError, match="no time"):
        parsed(typed)


@pytest.mark.parametrize(
    ("typed", "at_s"),
    [
        ("2s", 12),
        ("23:13:25", 15),
        ("22:13:25+00:00", 15),
        ("2023-11-14 23:13:25", 15),
        ("00:00:00", 2810),  # after midnight is nearer than the midnight before
        ("deploy begins", 12),
        ("BEGINS", 12),
    ],
)
def test_a_bound_is_a_timestamp_of_the_run(typed, at_s):
    assert timestamp_of(parsed(typed), RUN, "a") == at_s * SECOND


@pytest.mark.parametrize(
    ("typed", "run", "said"),
    [
        ("deploy", RUN, r"several marks: 'deploy begins' at 2.0 s .*, 'deploy ends' at 10.0 s"),
        ("rollback", RUN, "neither a time nor the note of a mark; its marks: 'deploy begins'"),
        ("rollback", RUN._replace(marks=()), "it has no marks"),
        ("14:00", RUN._replace(clock=RunClock(0)), "does not say at what local time"),
        ("14:00", RUN._replace(clock=None), "no run was recorded"),
    ],
)
def test_a_bound_that_is_nowhere_says_why(typed, run, said):
    with pytest.raises(CommandError, match=said) as raised:
        timestamp_of(parsed(typed), run, "a.idlehands")
    assert raised.value.status == USAGE


# -- the part of a capture -----------------------------------------------------------------------


def part(path, begin=None, end=None):
    cut = Cut(parsed(begin) if begin else None, parsed(end) if end else None)
    return cut_feed(path, cut)


@pytest.mark.parametrize(
    ("begin", "end"),
    [("5s", "12s"), (None, "3.2s"), ("31.05s", None), ("12.345s", "12.5s"), ("0s", "40s")],
)
def test_a_part_reads_as_that_time_of_the_whole_capture(capture, begin, end):
    feed = part(capture, begin, end)
    (pool,) = feed.reading().pools
    low = round(float(begin[:-1]) * SECOND) if begin else 0
    high = round(float(end[:-1]) * SECOND) if end else 40 * SECOND
    assert (pool.begin_ns, pool.end_ns) == (low, high)
    whole = cut_feed(capture, WHOLE).ledger
    other = read_pool(whole, whole.pools[0], low, high)
    assert pool.time == other.time
    assert pool.tasks.finished == other.tasks.finished
    assert pool.promises[0] == other.promises[0]
    assert feed.reading().source.note == "a part of the capture"


def test_what_a_part_says_of_its_end_is_of_its_end(tmp_path, capture):
    """Five levels a second say how many tasks the inbox holds: as many as tenths have passed."""
    path = tmp_path / "counting.idlehands"
    with open(capture, "rb"):
        writer = CaptureWriter(path)
        names = {
            **{"frame": "names", "pool": 0, "name": "a", "pool_kind": "work-stealing"},
            **{"workers": 1, "declared_ns": 0, "closed_ns": -1, "task_kinds": [], "threads": []},
        }
        writer.add(0, encode({"frame": "hello", "version": 3, "pid": 1}) + encode(names))
        for tenth in range(1, 101):
            at = tenth * 100 * MS
            level = {"frame": "levels", "pool": 0, "at_ns": at, "inbox": tenth, "deques": [0]}
            writer.add(at, encode({**level, "workers": [[]], "misuses": 0}))
        writer.close()
    assert part(str(path), "1s", "4.25s").reading().pools[0].inbox == 43


def test_a_part_is_not_read_further_than_it_must(capture, monkeypatch):
    read = []

    def counting(self, *given):
        for block in blocks(self, *given):
            read.append(block.at_ns)
            yield block

    blocks = CaptureReader.blocks
    whole = len(list(CaptureReader(capture)))
    monkeypatch.setattr(CaptureReader, "blocks", counting)
    feed = cut_feed(capture, Cut(None, parsed("3s")))
    assert feed.reading().pools[0].end_ns == 3 * SECOND
    scanned = whole + 2  # for marks and the clock, and the first block of two replays
    assert len(read) - scanned <= 11  # four seconds in blocks of half a second, and some ahead


@pytest.mark.parametrize(
    ("begin", "end", "said"),
    [
        ("41s", None, "nothing was recorded in that window; the capture is from 0.0 s of the run"),
        ("50s", "60s", "nothing was recorded in that window"),
        (None, "0s", "nothing was recorded in that window"),
        ("9s", "9s", "begins at 9.0 s of the run .*cannot end at 9.0 s"),
    ],
)
def test_a_part_with_nothing_in_it_is_refused(capture, begin, end, said):
    with pytest.raises(CommandError, match=said.replace(" .*", ".*")) as raised:
        part(capture, begin, end)
    assert raised.value.status == USAGE


# -- as commands ---------------------------------------------------------------------------------


@pytest.fixture
def marked(tmp_path, capture):
    """The capture of `test_seek` with two marks and a wall clock in it."""
    path = tmp_path / "marked.idlehands"
    writer = CaptureWriter(path)
    for place, block in enumerate(CaptureReader(capture)):
        if place == 0:
            hello = {"frame": "hello", "version": 3, "pid": 1, "now_ns": 0, "wall_ns": 10**18}
            writer.add(0, encode(hello))
        writer.add(block.at_ns, block.frames.partition(b"\x85\xa5frame\xa5hello")[0] or b"")
        if place == 0:
            frames = block.frames
            first = int.from_bytes(frames[:4], "little") + 4
            writer.add(block.at_ns, frames[first:])
        for at_s, note in ((10, "deploy begins"), (20, "deploy ends")):
            # The note was written in four seconds, so that its frame comes later.
            if block.at_ns - SECOND // 2 < (at_s + 4) * SECOND <= block.at_ns:
                mark = {"frame": "mark", "at_ns": at_s * SECOND, "note": note}
                writer.add(block.at_ns, encode(mark))
    writer.close()
    return str(path)


def explained(capsys, *arguments):
    assert main(["explain", "--json", "--no-gains", *arguments]) == 0
    return json.loads(capsys.readouterr().out)


def test_explain_cuts_by_marks_and_lists_them(marked, capsys):
    found = explained(capsys, marked, "--from", "begins", "--to", "deploy ends")
    assert (found["window"]["begin_s"], found["window"]["end_s"]) == (10.0, 20.0)
    assert [mark["note"] for mark in found["marks"]] == ["deploy begins", "deploy ends"]
    assert found["pools"][0]["window_s"] == 10.0


def test_explain_cuts_by_local_time(marked, capsys):
    whole = explained(capsys, marked)["window"]["begin"]
    found = explained(capsys, marked, "--to", whole[:17] + "50")  # 2001-09-09T01:46:40 in UTC
    assert found["window"]["end_s"] == 10.0


def test_whatif_says_of_which_part_it_is(marked, capsys):
    arguments = ["whatif", marked, "--from", "10s", "--to", "30s", "--workers", "1", "--seeds", "1"]
    assert main(arguments) == 0
    assert "10.0 s to 30.0 s of the run." in capsys.readouterr().out


@pytest.mark.parametrize(
    "arguments",
    [
        ("--from", "30s", "--to", "20s"),
        ("--from", "41s"),
        ("--from", "lunch"),
        ("--from", "999999999999h"),
        ("--from", "9999-12-31 23:59", "--to", "deploy begins"),
        ("--to", "0001-01-01 00:00"),
        ("--for", "3s"),
        ("--past", "3s"),
    ],
)
@pytest.mark.parametrize("command", ["explain", "whatif"])
def test_a_window_that_is_not_there_is_one_line_and_status_2(marked, capsys, command, arguments):
    assert main([command, marked, *arguments]) == USAGE
    said = capsys.readouterr()
    assert said.out == ""
    assert len(said.err.strip().splitlines()) == 1
    assert said.err.startswith(f"idlehands {command}: ")


def test_a_cut_is_for_captures_only(capsys):
    assert main(["explain", "no-such-pool", "--from", "3s"]) == USAGE
    assert "--from and --to cut captures" in capsys.readouterr().err


def test_a_capture_is_copied_whole(marked, capsys, tmp_path):
    assert main(["capture", marked, "-o", str(tmp_path / "b.idlehands"), "--for", "3s"]) == USAGE
    assert "copied whole" in capsys.readouterr().err
    assert replace(CLOCK, zone="").zone_info.utcoffset(None).total_seconds() == 3600
