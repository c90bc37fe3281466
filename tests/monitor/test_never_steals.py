"""A pool in which nobody steals: its own cause, with and without a simulation."""

from __future__ import annotations

from dataclasses import replace

import pytest
from readings import reading, steal_counts
from whatifs import answer, batch

from idlehands_monitor.analysis.verdicts.causes import caused
from idlehands_monitor.analysis.verdicts.never_steals import with_never_steals
from idlehands_monitor.model import changes as change
from idlehands_monitor.model.findings import Finding
from idlehands_monitor.model.vocabulary import FindingCode
from idlehands_monitor.model.worker_time import WorkerTime

SECOND = 1_000_000_000


def starving(attempts):
    """Return two workers of which one starves for ten seconds, with so many steal attempts."""
    (pool,) = reading(workers=2).pools
    none = ((0, 0), (0, 0))
    starved = Finding(FindingCode.STARVED_BESIDE_WORK, 10.0, 0.5, "Workers starve.", "Wake them.")
    return replace(
        pool,
        time=WorkerTime(working=10 * SECOND, starved=10 * SECOND),
        steals=steal_counts(none, ((0, attempts), (0, 0)), none),
        findings=(starved,),
    )


def test_starved_workers_that_never_try_are_said_to_never_steal():
    (finding,) = with_never_steals(starving(3)).findings
    assert finding.code == "never-steals"
    assert finding.sentence.startswith("Nobody steals")
    assert finding.evidence == "3 steal attempts in 10.0 s of starved time"
    assert finding.worker_seconds == 10.0


def test_starved_workers_that_try_starve_for_another_reason():
    (finding,) = with_never_steals(starving(3000)).findings
    assert finding.code == "starved-beside-work"


@pytest.mark.parametrize("made", [change.ParkWhenEmpty(), change.WakeAtOnce()])
@pytest.mark.parametrize(("attempts", "code"), [(3, "never-steals"), (3000, "starved-beside-work")])
def test_the_gain_of_waking_workers_is_that_of_stealing_where_nobody_does(made, attempts, code):
    held = batch(answers=(answer((made,), 6.0, 0.46),), curve=None)
    (finding,) = caused(with_never_steals(starving(attempts)), held).findings
    assert finding.code == code
    assert finding.gain.share == 0.46
