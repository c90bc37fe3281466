"""The scores of the findings: their arithmetic, and that each foreign job runs."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

import score_findings
from idlehands_monitor.model.vocabulary import FindingCode
from scored.gallery import CAUSES, DEMONSTRATION, FOREIGN, FOREIGN_JOBS, GALLERY, Entry
from scored.reading import Found, Gain, NotExplained, all_found, explain, headline
from scored.scores import Run, Score, holds, row, summary, table
from tried.bench import SHARED, JobFailed

ILL = Entry(FOREIGN, "kiln", ("barrier-wait", "serial-stretch"), "batches", "seconds")
OWN = Entry(DEMONSTRATION, "early-park", ("starved-beside-work",), "parks early")
WELL = Entry(FOREIGN, "loom", (), "computing", "seconds")
RIGHT = Run("barrier-wait", ("barrier-wait", "too-few-workers"))
TINY_SCALE = 0.04


def score(right, wrong, entry=ILL):
    good = Run("", ()) if entry.is_healthy else Run(entry.codes[0], entry.codes)
    bad = Run("lock-wait", ("lock-wait",))
    return Score(entry, (good,) * right + (bad,) * wrong)


def finding(code, share=None, seconds=1.0, unit="seconds"):
    gain = None
    if share is not None:
        ends = {"share_low": share - 0.01, "share": share, "share_high": share + 0.01}
        gain = {"unit": unit, "low": 1.0, "median": 2.0, "high": 3.0, **ends}
    return {"code": code, "worker_seconds": seconds, "gain": gain, "change": "Use more."}


def document(*pools):
    return {"schema": 1, "pools": [{"findings": list(findings)} for findings in pools]}


def test_a_run_is_right_where_its_headline_is_one_of_the_codes_of_the_fault():
    assert Score(ILL, ()).is_right(RIGHT)
    assert Score(ILL, ()).is_right(Run("serial-stretch"))
    assert not Score(ILL, ()).is_right(Run("too-few-workers", ("barrier-wait",)))
    assert not Score(ILL, ()).is_right(Run(""))


def test_a_healthy_run_is_right_where_nothing_is_worth_a_change():
    assert Score(WELL, ()).is_right(Run("lock-wait", ()))
    assert not Score(WELL, ()).is_right(Run("", ("lock-wait",)))


def test_a_run_without_a_reading_is_wrong_whatever_was_wanted():
    assert not Score(WELL, ()).is_right(Run(failed="JobFailed"))
    assert not Score(ILL, ()).is_right(Run("barrier-wait", failed="JobFailed"))


def test_a_row_says_how_often_it_was_right_and_what_was_said_otherwise():
    wrong = (Run("lock-wait"), Run(""), Run("lock-wait"), Run(failed="NotExplained"))
    assert row(Score(ILL, (RIGHT, *wrong))) == (
        "| kiln | batches | barrier-wait or serial-stretch | 1 of 5 "
        "| lock-wait (2), – (1), NotExplained (1) |"
    )
    both = Run("lock-wait", ("too-few-workers", "lock-wait", "lock-wait"))
    assert row(Score(WELL, (both,))) == (
        "| loom | computing | nothing ≥ 5 % | 0 of 1 | lock-wait + too-few-workers (1) |"
    )


def test_the_summary_has_a_share_of_all_runs_for_each_group_that_has_any():
    assert list(summary([score(3, 1), score(5, 1), score(1, 1, WELL), score(2, 0, OWN)])) == [
        "* The fault's own code is the headline in 2 of 2 (100 %) runs of the demonstration; "
        "wanted: 95 %.",
        "* The fault's own code is the headline in 8 of 10 (80 %) runs of foreign jobs; "
        "wanted: 90 %.",
        "* No finding gains 5 % or more in 1 of 2 (50 %) runs without a fault; wanted: 95 %.",
    ]
    assert len(list(summary([score(1, 0)]))) == 1


@pytest.mark.parametrize(
    ("entry", "least", "of"), [(OWN, 19, 20), (ILL, 18, 20), (WELL, 19, 20), (WELL, 57, 60)]
)
def test_the_bars_hold_at_the_wanted_share_and_not_one_run_below_it(entry, least, of):
    assert holds([score(least, of - least, entry)])
    assert not holds([score(least - 1, of - least + 1, entry)])


def test_a_good_group_does_not_make_up_for_a_bad_one():
    assert not holds([score(100, 0), score(100, 0, WELL), score(18, 2, OWN)])


def test_every_row_of_the_table_has_the_columns_of_its_head():
    rows = [line for line in table([score(1, 1), score(1, 0, OWN)]).splitlines() if "|" in line]
    assert len(rows) == 6
    assert len({line.count("|") for line in rows}) == 1


def test_the_headline_is_the_weightiest_of_what_the_pools_have_first():
    small, large = finding("lock-wait", 0.1), finding("barrier-wait", 0.3)
    assert headline(document([small], [large])).code == "barrier-wait"
    assert headline(document([small, large])).code == "lock-wait"
    urgent = finding("lost-worker", None)
    assert headline(document([large], [urgent])).code == "lost-worker"
    costly, cheap = finding("memory-growth", None, 5.0), finding("cpu-quota", None, 1.0)
    assert headline(document([cheap], [costly])).code == "memory-growth"
    assert headline(document([], [])) is None


def test_findings_of_older_documents_have_no_gain_and_are_worth_a_change():
    (found,) = all_found({"pools": [{"findings": [{"code": "lock-wait"}]}]})
    assert found == Found("lock-wait")
    assert found.is_worth_it


def test_a_gain_below_five_per_cent_is_not_worth_a_change():
    below, above = all_found(document([finding("lock-wait", 0.049), finding("lock-wait", 0.05)]))
    assert not below.is_worth_it
    assert above.is_worth_it
    assert above.gain == Gain("seconds", pytest.approx(0.04), 0.05, pytest.approx(0.06))


def test_findings_on_external_pools_count_as_well():
    text = {"pools": [], "sampled": [{"findings": [finding("lock-wait", 0.2)]}, {}]}
    assert headline(text).code == "lock-wait"


def test_a_capture_that_is_not_there_is_not_explained(tmp_path):
    with pytest.raises(NotExplained) as refusal:
        explain(tmp_path / "a.idlehands")
    assert str(refusal.value)


def test_every_job_of_the_folder_is_in_the_gallery_once():
    jobs = sorted(path.stem for path in CAUSES.glob("*.py") if path.stem not in SHARED)
    assert sorted(entry.name for entry in FOREIGN_JOBS) == jobs
    assert len({entry.name for entry in GALLERY}) == len(GALLERY)


def test_every_expected_code_is_a_code_of_a_finding():
    for entry in GALLERY:
        assert set(entry.codes) <= set(FindingCode), entry.name


def test_there_are_as_many_jobs_as_the_bars_speak_of():
    assert sum(not entry.is_healthy for entry in FOREIGN_JOBS) >= 20
    assert sum(entry.is_healthy for entry in FOREIGN_JOBS) >= 6
    assert sum(entry.is_mended for entry in FOREIGN_JOBS) >= 10


def options_of(entry):
    """Return one run as it is, one mended, and one with the number that a finding may advise."""
    yield ()
    if entry.is_mended:
        yield ("--mended",)
    if entry.follow:
        yield ("--mended", entry.follow[1], "3")


RUNS = [(entry, options) for entry in FOREIGN_JOBS for options in options_of(entry)]


@pytest.mark.extra
@pytest.mark.parametrize(
    ("entry", "options"), RUNS, ids=[" ".join((entry.name, *opts)) for entry, opts in RUNS]
)
def test_a_job_ends_by_itself_with_its_own_measure_in_its_unit(entry, options):
    command = [sys.executable, CAUSES / f"{entry.name}.py", "--scale", str(TINY_SCALE), *options]
    ran = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True)
    measure = json.loads(ran.stdout.splitlines()[-1])
    assert measure["unit"] == entry.unit
    assert measure["value"] > 0


@pytest.fixture
def sockets(tmp_path, monkeypatch):
    folder = tmp_path / "sockets"
    folder.mkdir(mode=0o700)
    monkeypatch.setenv("IDLEHANDS_DIR", str(folder))


def test_a_run_is_captured_once_and_explained_again(tmp_path, sockets, monkeypatch):
    entry = next(entry for entry in FOREIGN_JOBS if entry.name == "glass_ovens")
    capture = tmp_path / "a.idlehands"
    said = score_findings.run(entry, 1, 1.0, capture)
    assert said.headline == "lost-worker"
    assert "lost-worker" in said.worth
    monkeypatch.setattr(score_findings, "recorded_output", lambda *_: pytest.fail("run again"))
    assert score_findings.run(entry, 1, 1.0, capture).headline == "lost-worker"


def test_a_job_that_fails_is_a_run_without_a_reading(tmp_path, monkeypatch, capsys):
    def fail(*_):
        raise JobFailed("status 1")

    monkeypatch.setattr(score_findings, "recorded_output", fail)
    assert score_findings.run(ILL, 1, None, tmp_path / "a.idlehands") == Run(failed="JobFailed")
    assert "kiln, seed 1: status 1" in capsys.readouterr().err


def test_the_status_and_the_table_are_those_of_the_scores(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(score_findings, "record", lambda *_: "")
    monkeypatch.setattr(score_findings, "said_of", lambda *_: RIGHT)
    monkeypatch.setenv("IDLEHANDS_DIR", "")  # the script sets it: to be put back
    page = tmp_path / "scores.md"
    assert score_findings.main(["--only", "tile_kiln", "--table", str(page)]) == 0
    assert "| 5 of 5 |" in page.read_text(encoding="utf-8")
    assert score_findings.main(["--only", "wax_seals", "--seeds", "2"]) == 1
    assert "| 0 of 2 | barrier-wait (2) |" in capsys.readouterr().out


def test_a_foreign_job_is_scaled_and_the_demonstration_timed_by_the_seconds():
    ill = next(entry for entry in FOREIGN_JOBS if entry.codes)
    assert ill.command(3, None)[-4:] == ["--seed", "3", "--scale", "1"]
    assert ill.command(3, 4.5)[-4:] == ["--seed", "3", "--scale", "0.5"]
    assert OWN.command(2, None)[-4:] == ["--for", "15s", "--seed", "2"]
    assert OWN.command(2, 4.0)[-4:] == ["--for", "4s", "--seed", "2"]


def test_a_capture_is_kept_for_one_job_as_it_is_with_one_seed_and_length(tmp_path, monkeypatch):
    monkeypatch.setattr("scored.gallery.CAUSES", tmp_path)
    (tmp_path / "kiln.py").write_text("before = 1\n")
    names = {ILL.kept_as(1, None), ILL.kept_as(2, None), ILL.kept_as(1, 4.0)}
    (tmp_path / "kiln.py").write_text("after = 2\n")
    names.add(ILL.kept_as(1, None))
    assert len(names) == 4
    assert OWN.kept_as(2, 4.0) == "early-park-4s-2.idlehands"


def test_the_list_names_every_job(capsys):
    assert score_findings.main(["--list"]) == 0
    listed = capsys.readouterr().out.splitlines()
    assert [line.partition(":")[0] for line in listed] == [entry.name for entry in GALLERY]
