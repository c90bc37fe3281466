"""The table of predicted against tried changes: its arithmetic, and that each job runs."""

from __future__ import annotations

import json
import re
import subprocess
import sys

import pytest

from idlehands_monitor.session.opening import read_target
from predicted_against_tried import main
from tried.bench import (
    JOBS,
    Bench,
    JobFailed,
    NotPredicted,
    Prediction,
    predict,
    read_prediction,
    run_job,
)
from tried.lines import LINES, P95_S, SECONDS, TASKS_PER_S, Line
from tried.table import Result, holds, row, summary, table

LINE = Line("a_job", SECONDS, "--workers 4", "4 workers", "--workers 8", "8 workers", "--workers 8")
TINY = "--scale 0.02"


def result(median=2.0, tried=(1.9, 2.0, 2.3), low=1.8, high=2.2, unit=SECONDS, line=LINE):
    changed = Line(line.job, unit, line.base, line.base_words, line.change, line.change_words, "")
    return Result(changed, Prediction(4.0, 4.1, low, median, high), tried)


def document(**changes):
    answer = {"change": {"workers": 8}, "low": 1.0, "median": 2.0, "high": 3.0, "gain": 0.5}
    pool = {"name": "p", "unit": SECONDS, "recorded": 4.0, "reproduced": 4.1, "answers": [answer]}
    return json.dumps({"schema": 1, "pools": [{**pool, **changes}]})


def test_the_error_is_that_of_the_predicted_median_against_the_median_of_the_runs():
    assert result(median=2.1, tried=(5.0, 2.0, 1.0)).error == pytest.approx(0.05)
    assert result(median=1.9, tried=(5.0, 2.0, 1.0)).error == pytest.approx(-0.05)


def test_a_line_is_covered_where_the_interval_holds_the_median_of_the_runs():
    assert result(low=2.0, high=2.2).is_covered
    assert not result(low=2.01, high=2.2).is_covered
    assert not result(low=1.0, high=1.99).is_covered


def test_a_line_without_a_prediction_is_neither_close_nor_covered_and_says_why():
    refused = Result(LINE, None, (2.0,), "no prediction: no finished task")
    assert refused.error is None
    assert not refused.is_covered
    assert not refused.is_within(1e9)
    assert "| no prediction: no finished task |" in row(refused)


def test_a_row_has_the_figures_in_the_unit_of_its_line():
    assert row(result(median=2.1)) == (
        "| a job | 4 workers | 8 workers | s | 4.000 | 4.100 | 2.100 (1.800 to 2.200) "
        "| 2.000 (1.900 to 2.300) | +5.0 % | yes |  |"
    )
    p95 = row(result(unit=P95_S, median=0.0321, low=0.031, high=0.033, tried=(0.0341,)))
    assert "| p95, ms | 4000 | 4100 | 32.10 (31.00 to 33.00) |" in p95
    assert "| 34.10 (34.10 to 34.10) | −5.9 % |" in p95


def test_the_summary_counts_lines_by_error_and_by_coverage():
    lines = [
        result(median=2.0),
        result(median=2.09),
        result(median=2.15, high=1.9),
        result(median=2.5),
        result(median=2.29, unit=P95_S),
        Result(LINE, None, (2.0,), "no prediction"),
    ]
    assert list(summary(lines)) == [
        "* 6 lines, 1 of them 95th percentiles.",
        "* Error ≤ 5 %: 2 of 6 (33 %) of all lines.",
        "* Error ≤ 10 %: 3 of 6 (50 %) of all lines.",
        "* Error ≤ 5 %: 2 of 5 (40 %) of lines that are no percentile.",
        "* Error ≤ 10 %: 3 of 5 (60 %) of lines that are no percentile.",
        "* Error ≤ 15 %: 1 of 1 (100 %) of 95th percentiles.",
        "* The interval holds the tried value in 4 of 6 (67 %) of all lines.",
    ]


def test_the_bounds_hold_at_the_wanted_shares_and_not_below_them():
    good, near, far = result(), result(median=2.15), result(median=1.5)
    assert holds([good] * 17 + [near] * 3)
    assert not holds([good] * 16 + [near] * 4)
    assert holds([good] * 19 + [far])
    assert not holds([good] * 18 + [far] * 2)
    assert not holds([good] * 20 + [result(median=2.31, unit=P95_S)])
    uncovered = result(high=1.9)
    assert holds([good] * 17 + [uncovered] * 3)
    assert not holds([good] * 16 + [uncovered] * 4)


def test_every_row_of_the_table_has_the_columns_of_its_head():
    text = table([result(), Result(LINE, None, (2.0,), "a | b")])
    rows = [line for line in text.splitlines() if line.startswith("|")]
    assert len(rows) == 4
    assert len({line.count("|") for line in rows}) == 1


def test_a_prediction_is_read_from_the_one_pool_with_an_answer():
    assert read_prediction(document(), SECONDS) == Prediction(4.0, 4.1, 1.0, 2.0, 3.0)


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"answers": [], "refused": "too far from the run"}, "too far from the run"),
        ({"answers": []}, "no answer"),
        ({"unit": TASKS_PER_S}, "answered in tasks_per_s"),
    ],
)
def test_no_prediction_is_read_where_there_is_none_in_the_unit_of_the_line(changes, why):
    with pytest.raises(NotPredicted, match=why):
        read_prediction(document(**changes), SECONDS)


def test_the_reason_for_no_prediction_is_that_of_the_command_without_the_path(tmp_path):
    path = tmp_path / "a.idlehands"
    with pytest.raises(NotPredicted) as refusal:
        predict(path, LINE, 1)
    assert str(refusal.value)
    assert str(tmp_path) not in str(refusal.value)


def test_there_are_enough_lines_and_each_has_a_name_of_its_own():
    assert len(LINES) >= 34
    assert len({line.name for line in LINES}) == len(LINES)


def test_every_job_has_a_line_and_every_line_a_job():
    jobs = {path.stem for path in JOBS.glob("*.py")} - {"own_measure"}
    assert {line.job for line in LINES} == jobs


def settings_by_options():
    """Return one setting for each set of options that a job is given, smaller numbers left out."""
    settings = {}
    for line in LINES:
        for given in (line.base, line.tried):
            options = tuple(word for word in given.split() if word.startswith("--"))
            settings[line.job, options] = (line.job, given, line.unit)
    return list(settings.values())


@pytest.mark.parametrize(
    ("job", "settings", "unit"),
    settings_by_options(),
    ids=lambda value: value.replace("--", "").replace(" ", "-") or "base",
)
def test_a_job_runs_with_each_of_its_options_and_ends_with_its_own_measure(job, settings, unit):
    ran = subprocess.run(
        [sys.executable, JOBS / f"{job}.py", *settings.split(), *TINY.split()],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    measure = json.loads(ran.stdout.splitlines()[-1])
    assert measure["unit"] == unit
    assert measure["value"] > 0


@pytest.fixture
def sockets(tmp_path, monkeypatch):
    folder = tmp_path / "sockets"
    folder.mkdir(mode=0o700)
    monkeypatch.setenv("IDLEHANDS_DIR", str(folder))


def test_a_run_writes_a_capture_with_all_tasks_and_returns_the_jobs_own_measure(tmp_path, sockets):
    path = tmp_path / "a.idlehands"
    measured = run_job(JOBS / "thread_batch.py", "--workers 4 --scale 0.2", SECONDS, path)
    (pool,) = read_target(str(path), 0.0, causes=False).pools
    assert pool.name == "soundings"
    assert pool.tasks.finished == 128
    assert 0.2 < measured < 20


def test_a_run_in_another_unit_than_its_line_is_refused(tmp_path, sockets):
    with pytest.raises(JobFailed, match="measures seconds, not p95_s"):
        run_job(JOBS / "thread_batch.py", TINY, P95_S, tmp_path / "a.idlehands")


def test_a_bench_runs_what_it_has_once_and_no_more(tmp_path, sockets, monkeypatch):
    line = Line("barriers", SECONDS, TINY, "", "--hand-in-at-once", "", f"{TINY} --at-once")
    first = Bench(tmp_path)
    capture, tried = first.capture(line), first.tried(line, 2)
    monkeypatch.setattr("tried.bench.run_job", lambda *_: pytest.fail("it was run again"))
    again = Bench(tmp_path)
    assert again.capture(line) == capture
    assert again.captured(line) == first.captured(line) > 0
    assert again.tried(line, 2) == tried


def test_the_list_names_every_line(capsys):
    assert main(["--list"]) == 0
    listed = capsys.readouterr().out
    assert [re.match(r"[^:]*", text)[0] for text in listed.splitlines()] == [
        line.name for line in LINES
    ]


def test_a_job_that_was_changed_is_run_again(tmp_path, monkeypatch):
    jobs, runs = tmp_path / "jobs", []
    jobs.mkdir()
    for name in ("a_job", "own_measure"):
        (jobs / f"{name}.py").write_text("before = 1\n")
    monkeypatch.setattr("tried.bench.run_job", lambda *given: runs.append(given) or 1.0)
    Bench(tmp_path, jobs).tried(LINE, 1)
    Bench(tmp_path, jobs).tried(LINE, 1)
    assert len(runs) == 1
    (jobs / "own_measure.py").write_text("after = 2\n")
    Bench(tmp_path, jobs).tried(LINE, 1)
    assert len(runs) == 2
