"""The probe holds nothing of what has ended: scenarios of `leaks`, each scaled down.

They are marked long: the last closed pools are held for a while, so only a few hundred pools show
that no more are held, and the memory of a process settles slowly on a busy machine.
"""

from __future__ import annotations

import pytest

from leaks import JOB_SECONDS, POOLS_THAT_END, POOLS_THAT_STAY, Result, Scenario, run, verdict

PART = 50


def name_of(scenario: Scenario) -> str:
    return scenario.name


@pytest.mark.long
@pytest.mark.parametrize("scenario", POOLS_THAT_STAY, ids=name_of)
def test_a_pool_that_stays_does_not_grow(scenario: Scenario) -> None:
    repetitions = max(20, scenario.repetitions // PART)
    result = run(scenario, scenario.hows[-1], repetitions, JOB_SECONDS)
    assert verdict(result, None) == ""


ONE_OF_EACH_SORT = ("processes", "queues")
"""The others, and all of them in full, are for `python tests/leaks.py`: it takes eight minutes.
Pools that are made by the thousand reach their level only after more repetitions than here."""


@pytest.mark.long
@pytest.mark.parametrize(
    "scenario", [s for s in POOLS_THAT_END if s.name in ONE_OF_EACH_SORT], ids=name_of
)
def test_a_job_does_not_grow_with_the_pools_it_has_closed(scenario: Scenario) -> None:
    results: dict[str, Result] = {
        how: run(scenario, how, scenario.quick_repetitions, JOB_SECONDS) for how in scenario.hows
    }
    plain = results.get("plain")
    assert {how: verdict(result, plain) for how, result in results.items()} == dict.fromkeys(
        results, ""
    )
