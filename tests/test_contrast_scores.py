"""The scores of `contrast`: which runs are compared, and what counts as right."""

from __future__ import annotations

from dataclasses import replace

import pytest

import contrast_scores
from contrast_scores import Bench, healthy_of, is_disturbed, new_codes
from idlehands_monitor.analysis.contrast.circumstances import NOT_EQUALLY_BUSY
from idlehands_monitor.model.contrast import (
    ContrastReading,
    FindingContrast,
    PoolContrast,
    Presence,
)
from idlehands_monitor.model.vocabulary import FindingCode
from scored.gallery import DEMONSTRATION, GALLERY

FAULTS = [one for one in GALLERY if one.gallery == DEMONSTRATION and not one.is_healthy]
ALIKE = ContrastReading((), (), None, (), ())


def found(presence, *, named=True):
    finding = FindingContrast(FindingCode.LOCK_WAIT, presence, 0, 1, None, 0.2, named=named)
    pool = PoolContrast("mill", "mill", 9, 9, (), (finding,), (), (), ())
    return replace(ALIKE, pools=(pool,))


@pytest.mark.parametrize("entry", FAULTS, ids=lambda entry: entry.name.replace(" ", "-"))
def test_each_fault_is_compared_with_the_healthy_demonstration_in_the_same_pool(entry):
    sound = healthy_of(entry)
    assert sound is not None
    assert sound.is_healthy
    assert [one for one in sound.arguments if one in ("threads", "processes")] == [
        one for one in entry.arguments if one in ("threads", "processes")
    ]


def test_a_finding_counts_as_new_only_where_it_was_not_before():
    assert new_codes(found(Presence.NEW)) == {"lock-wait"}
    assert new_codes(found(Presence.STAYS)) == set()


def test_a_run_beside_other_processes_is_disturbed():
    (pool,) = found(Presence.NEW).pools
    busy = replace(pool.findings[0], code=FindingCode.CORES_BUSY_ELSEWHERE)
    assert is_disturbed(replace(ALIKE, pools=(replace(pool, findings=(busy,)),)))
    assert is_disturbed(replace(ALIKE, notes=(f"workers waited: {NOT_EQUALLY_BUSY}",)))
    assert not is_disturbed(replace(found(Presence.NEW), notes=("rows were lost",)))


@pytest.mark.parametrize(
    ("pairs", "named", "status"),
    [
        ([(True, False)] * 20, [(True, True)], 0),
        ([(True, False)] * 19 + [(False, False)], [(True, False)], 0),
        ([(True, False)] * 19 + [(False, True)] * 9, [(True, False)], 0),
        ([(True, False)] * 18 + [(False, False)] * 2, [(True, True)], 1),
        ([(True, False)] * 20, [(True, True), (False, False)], 1),
        ([], [], 0),
    ],
)
def test_too_many_healthy_pairs_that_differ_or_a_fault_without_a_difference_fail(
    monkeypatch, tmp_path, pairs, named, status
):
    monkeypatch.setenv("IDLEHANDS_DIR", str(tmp_path))  # which `main` changes
    monkeypatch.setattr(contrast_scores, "healthy", lambda *_: iter(pairs))
    monkeypatch.setattr(contrast_scores, "faults", lambda *_: iter(named))
    assert contrast_scores.main(["--folder", str(tmp_path)]) == status


def test_captures_that_are_not_there_are_left_out_where_none_may_be_made(tmp_path):
    bench = Bench(tmp_path, None, True, {})
    assert bench.runs(FAULTS[0], 3) == []


@pytest.mark.extra
@pytest.mark.long
@pytest.mark.parametrize("name", ["early-park", "lock-wait threads", "single-station processes"])
def test_a_fault_of_the_demonstration_is_a_difference_from_the_healthy_one(
    monkeypatch, tmp_path, name
):
    monkeypatch.setenv("IDLEHANDS_DIR", str(tmp_path / "sockets"))
    entry = next(one for one in FAULTS if one.name == name)
    ((is_named, _),) = contrast_scores.faults([entry], Bench(tmp_path, 5.0, False, {}))
    assert is_named
