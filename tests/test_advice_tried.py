"""The table of advice that was tried: its arithmetic, and one job from its capture to its row."""

from __future__ import annotations

import pytest

import advice_tried
from scored.advice import Advice, holds, row, settings_for, share_gained, summary, table
from scored.gallery import FOREIGN, SO_MANY_WORKERS, Entry
from scored.reading import Found, Gain
from tried.lines import P95_S, SECONDS, TASKS_PER_S

JOB = Entry(FOREIGN, "kiln", ("barrier-wait",), "batches", SECONDS, is_mended=True)
CROWDED = Entry(FOREIGN, "kites", ("too-few-workers",), "few", SECONDS, True, SO_MANY_WORKERS)


def advice(share=0.5, mended=(5.0, 4.0, 6.0), low=0.4, high=0.6, unit=SECONDS, code="barrier-wait"):
    found = Found(code, Gain(unit, low, share, high))
    return Advice(JOB, found, "--mended", 10.0, mended)


@pytest.mark.parametrize(
    ("unit", "after", "share"), [(SECONDS, 2.0, 0.5), (P95_S, 5.0, -0.25), (TASKS_PER_S, 6.0, 0.5)]
)
def test_a_gain_is_a_share_of_the_run_as_it_was(unit, after, share):
    assert share_gained(unit, 4.0, after) == pytest.approx(share)


def test_the_measured_gain_is_that_of_the_median_mended_run():
    assert advice(mended=(1.0, 4.0, 9.0)).measured == pytest.approx(0.6)


def test_a_prediction_is_good_near_the_measured_gain_or_with_that_in_its_interval():
    assert advice(share=0.574, low=0.57, high=0.58).is_good
    assert not advice(share=0.576, low=0.57, high=0.58).is_good
    assert advice(share=0.426, low=0.42, high=0.43).is_good
    assert not advice(share=0.424, low=0.42, high=0.43).is_good
    assert advice(share=0.9, low=0.5, high=0.95).is_good
    assert not advice(share=0.9, low=0.51, high=0.95).is_good


def test_another_cause_another_unit_and_no_gain_are_not_good():
    assert not advice(code="lock-wait").is_good
    assert not advice(unit=P95_S).is_good
    assert not Advice(JOB, Found("barrier-wait"), "--mended", 10.0, (5.0,)).is_good
    assert not Advice(JOB, None, "--mended", 10.0, (5.0,)).is_good


def test_the_mended_job_is_run_with_the_number_that_is_advised():
    found = Found("too-few-workers", None, "Give the pool 12 workers (max_workers=12), if")
    assert settings_for(CROWDED, found) == "--mended --workers 12"
    assert settings_for(JOB, found) == "--mended"
    assert settings_for(CROWDED, Found("too-few-workers", None, "Use more.")) == "--mended"
    assert settings_for(CROWDED, None) == "--mended"


def test_a_row_has_both_gains_and_what_they_are_of():
    assert row(advice()) == (
        "| kiln | barrier-wait | mended | seconds | 10 | 5 (4 to 6) | 50.0 % (40.0 % to 60.0 %) "
        "| 50.0 % | yes |"
    )
    assert row(Advice(JOB, None, "--mended", 10.0, (12.0,))) == (
        "| kiln | – | mended | seconds | 10 | 12 (12 to 12) | – | −20.0 % | no |"
    )
    assert "50.0 % (40.0 % to 60.0 %) of p95_s |" in row(advice(unit=P95_S))


def test_the_summary_counts_headlines_and_good_predictions():
    assert list(summary([advice(), advice(share=0.9, low=0.8), advice(code="lock-wait")])) == [
        "* The headline is the fault's own code and has a gain: 2 of 3 (67 %).",
        "* The predicted gain is within 15 % of the measured one, or the interval holds that: "
        "1 of 3 (33 %).",
    ]


def test_ten_good_predictions_are_enough_and_all_of_fewer():
    good, bad = advice(), advice(code="lock-wait")
    assert holds([good] * 10 + [bad] * 5)
    assert not holds([good] * 9 + [bad])
    assert holds([good])
    assert not holds([good, bad])


def test_every_row_of_the_table_has_the_columns_of_its_head():
    rows = [line for line in table([advice()]).splitlines() if line.startswith("|")]
    assert len(rows) == 3
    assert len({line.count("|") for line in rows}) == 1


@pytest.mark.extra
def test_one_job_goes_from_its_capture_to_its_row(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("IDLEHANDS_DIR", "")  # the script sets it: to be put back
    small = ["--only", "tile_kiln", "--scale", "0.1", "--runs", "1"]
    advice_tried.main([*small, "--folder", str(tmp_path)])
    (line,) = [text for text in capsys.readouterr().out.splitlines() if "tile_kiln" in text]
    as_it_was, mended = (float(cell.split()[0]) for cell in line.split(" | ")[4:6])
    assert as_it_was > mended > 0
    assert [path.name[:9] for path in tmp_path.glob("*.idlehands")] == ["tile_kiln"]
