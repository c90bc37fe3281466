"""A capture with a limit of its size: the newest blocks stay, and totals a second of the others."""

from __future__ import annotations

import random

import numpy as np
import pytest

from histories import History, levels_frame, names_frame
from idlehands.wire import IDLE_INTERVALS, OUTCOMES, SPAWNS, TASKS, WAITS, Decoder, encode
from idlehands_monitor.ingest.capture import CaptureReader, CaptureWriter
from idlehands_monitor.ingest.capture.groups import Rows
from idlehands_monitor.ingest.capture.totals import MOST_ROWS, Totals
from idlehands_monitor.ingest.rows import TOTALS
from idlehands_monitor.session.opening import read_target
from idlehands_monitor.views.text import explain

SECOND = 1_000_000_000
LIMIT = 1 << 20
ROWS_PER_BLOCK = 4000
BEGIN_NS = 1000 * SECOND


def tasks_frame(first, rows):
    return {
        **{"frame": "rows", "pool": 0, "table": "tasks", "parts": [[0, first, len(rows)]]},
        **{"rows": len(rows), "complete_ns": -1},
        "columns": {
            name: np.array(column, dtype="<i8").tobytes()
            for name, column in zip(TASKS.names, zip(*rows, strict=True), strict=True)
        },
    }


def made_up(blocks, seed=1):
    """Yield, block by block, its time and its tasks; one in fifty fails."""
    draw, now, number = random.Random(seed), BEGIN_NS, 0
    for _ in range(blocks):
        rows = []
        for _ in range(ROWS_PER_BLOCK):
            began = now + draw.randrange(20_000)
            now = began + draw.randrange(200_000)
            outcome = 1 if number % 50 == 0 else 0
            rows.append((number, -1, 0, began - 500, -1, -1, began, now, -2, -1, outcome))
            number += 1
        yield now, rows


@pytest.fixture(scope="module")
def limited(tmp_path_factory):
    """A capture of at most `LIMIT`, and all tasks that were written to it."""
    path = tmp_path_factory.mktemp("limited") / "a.idlehands"
    writer = CaptureWriter(path, most_bytes=LIMIT)
    hello = {"frame": "hello", "version": 3, "pid": 1, "argv0": "job.py"}
    names = names_frame(1, declared_ns=BEGIN_NS, task_kinds=["grind"])
    opening = b"".join(map(encode, [{"frame": "from", "pid": 1}, hello, names]))
    writer.add(BEGIN_NS, opening)
    every = []
    for now, rows in made_up(100):
        frames = [
            {"frame": "from", "pid": 1},
            tasks_frame(len(every), rows),
            {**levels_frame(History(1, 10)), "at_ns": now, "ran": [len(every) + len(rows)]},
        ]
        writer.add(now, b"".join(map(encode, frames)))
        every += rows
    writer.close()
    return path, np.array(every, dtype=np.int64)


def test_a_capture_stays_within_its_limit_and_holds_most_of_it(limited):
    path, every = limited
    assert LIMIT // 2 < path.stat().st_size <= LIMIT
    assert len(every) * 4 > 1.2 * LIMIT, "all of it does not fit"


def rows_held(path):
    """How many rows of tasks a capture holds."""
    decoder = Decoder()
    frames = [frame for block in CaptureReader(path) for frame in decoder.feed(block.frames)]
    return sum(frame["rows"] for frame in frames if frame["frame"] == "rows")


def test_rows_and_totals_together_are_all_tasks_and_all_of_their_time(limited):
    path, every = limited
    totals = read_target(str(path), 0.0, causes=False).source.only_totals
    started, ended, outcome = every[:, 6], every[:, 7], every[:, 10]
    gone = totals.finished + totals.failed
    assert gone + rows_held(path) == len(every)
    assert totals.failed == (outcome[:gone] == 1).sum() > 0
    assert totals.tasks_s == pytest.approx((ended - started)[:gone].sum() / 1e9, abs=1e-9)
    assert totals.begin_ns <= started[0] < totals.begin_ns + SECOND
    assert totals.end_ns - SECOND < ended[gone - 1] <= totals.end_ns


def test_the_rows_that_stay_are_the_newest_ones(limited):
    path, every = limited
    reading = read_target(str(path), 0.0, causes=False)
    assert reading.pools[0].tasks.finished > len(every) // 4
    last = list(CaptureReader(path))[-1]
    assert last.at_ns == every[-1, 7]


def test_the_report_says_of_how_long_a_time_there_are_only_totals(limited):
    reading = read_target(str(limited[0]), 0.0, causes=False)
    (line,) = [line for line in explain(reading).splitlines() if "only totals" in line]
    assert f"{reading.source.only_totals.finished:,} finished" in line
    assert f"{reading.source.only_totals.failed:,} failed" in line


def totals_of(table, rows):
    """The totals of one worker's rows as {second: {column: value}}."""
    found = Totals()
    values = np.array(rows, dtype=np.int64).T
    held = Rows([(0, 0, len(rows))], [values])
    found.note({(1, 0, table.name): held})
    found.drop(1)
    (columns,) = found._gone.values()
    return {
        int(column[0]) // SECOND: dict(zip(TOTALS, column.tolist(), strict=True))
        for column in columns.T
    }


def test_the_time_of_an_interval_counts_to_each_second_by_its_part_in_it():
    task = [1, -1, 0, 0, -1, -1, int(1.75 * SECOND), int(4.25 * SECOND), -2, -1, 0]
    found = totals_of(TASKS, [task])
    assert [found[second]["tasks_ns"] for second in (1, 2, 3, 4)] == [
        SECOND // 4,
        SECOND,
        SECOND,
        SECOND // 4,
    ]
    assert [found[second]["finished"] for second in (1, 2, 3, 4)] == [0, 0, 0, 1]


@pytest.mark.parametrize("seed", range(20))
def test_totals_agree_with_a_slow_sum(seed):
    draw = random.Random(seed)
    rows, slow = [], dict[tuple[int, str], int]()
    for _ in range(200):
        began = draw.randrange(6 * SECOND)
        ended = began + draw.choice([0, draw.randrange(1000), draw.randrange(3 * SECOND)])
        state = draw.randrange(3)
        rows.append([began, ended, state, 0, -1, -1])
        name = ("searching_ns", "parked_ns", "fetching_ns")[state]
        for second in range(began // SECOND, ended // SECOND + 1):
            part = min(ended, (second + 1) * SECOND) - max(began, second * SECOND)
            slow[second, name] = slow.get((second, name), 0) + part
    found = totals_of(IDLE_INTERVALS, rows)
    for (second, name), value in slow.items():
        assert found[second][name] == value


def test_hand_ins_and_waits_and_every_outcome_are_counted():
    assert totals_of(SPAWNS, [[5 * SECOND], [5 * SECOND + 1]])[5]["handed_in"] == 2
    assert totals_of(WAITS, [[1, SECOND, SECOND + 9, -1, 0]])[1]["waits_ns"] == 9
    for number, name in enumerate(OUTCOMES):
        started = -1 if name == "cancelled" else SECOND
        row = [1, -1, 0, SECOND, -1, -1, started, SECOND, -2, -1, number]
        found = totals_of(TASKS, [row])[1]
        assert [found[outcome] for outcome in OUTCOMES] == [
            int(outcome == name) for outcome in OUTCOMES
        ]


def test_the_oldest_of_very_many_seconds_are_joined_and_none_is_lost():
    rows = [[second * SECOND] for second in range(0, 3 * MOST_ROWS)]
    found = Totals()
    for start in range(0, len(rows), 1000):
        values = np.array(rows[start : start + 1000], dtype=np.int64).T
        found.note({(1, 0, "spawns"): Rows([(-1, 0, values.shape[1])], [values])})
        found.drop(1)
    (columns,) = found._gone.values()
    assert columns.shape[1] <= MOST_ROWS
    by_name = dict(zip(TOTALS, columns, strict=True))
    assert by_name["handed_in"].sum() == len(rows)
    ends = by_name["begin_ns"] + by_name["length_ns"]
    assert (ends[:-1] == by_name["begin_ns"][1:]).all()
    assert (by_name["begin_ns"][0], ends[-1]) == (0, len(rows) * SECOND)
