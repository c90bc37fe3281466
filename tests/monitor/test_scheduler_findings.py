"""Findings of the scheduler: what each accounts for, by hand, and that no second counts twice."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from readings import steal_counts

from histories import History, Task, ledger
from idlehands_monitor.analysis.deques.ends import judged_ends
from idlehands_monitor.analysis.deques.larger_steals import larger_steals, oldest_left
from idlehands_monitor.analysis.stealing.evenness import NO_CHOICE
from idlehands_monitor.analysis.verdicts.findings import findings
from idlehands_monitor.analysis.verdicts.host_findings import host_findings
from idlehands_monitor.analysis.verdicts.scheduler_findings import (
    SchedulerCosts,
    SchedulerUse,
    hits_if_even,
    misplaced,
    scheduler_costs,
    scheduler_findings,
)
from idlehands_monitor.model.blocked import BlockedReading, WaitReading
from idlehands_monitor.model.deques import (
    ContentionReading,
    EndReading,
    LargerStealsReading,
)
from idlehands_monitor.model.findings import LEAST_SHARE
from idlehands_monitor.model.host import HostReading
from idlehands_monitor.model.parking import ParkingReading, SpinReading
from idlehands_monitor.model.worker_time import CATEGORIES, PoolTime

SECOND = 1_000_000_000
MS = 1_000_000

# -- what a steal brings -------------------------------------------------------------------------


def ends(own_at_end=100, stolen_at_end=100, of=100):
    ends = [EndReading(of, 0, of, at_end, 0.0, 2.0, ()) for at_end in (own_at_end, stolen_at_end)]
    return judged_ends(0, *ends, unplaced=0)


def pushed_and_taken(takes):
    """Return rows of deque 0, pushed in order a nanosecond apart, taken at these times."""
    count = len(takes)
    return {
        "owner": np.zeros(count, dtype=np.int64),
        "spawned": np.arange(count, dtype=np.int64),
        "started": np.array(takes, dtype=np.int64),
    }


def test_a_thief_of_the_newest_could_have_had_the_oldest_that_nobody_was_given_before():
    # Four tasks; 3 and then 2 are stolen at 10 and 20, the owner takes 0 and 1 at 30 and 40.
    rows = pushed_and_taken([30, 40, 20, 10])
    stolen = np.array([False, False, True, True])
    # The first steal, of 3, could have had 0; the second, of 2, then 1.
    assert oldest_left(rows, stolen).tolist() == [1, 0]


def test_a_thief_of_the_oldest_could_have_had_what_it_took():
    rows = pushed_and_taken([10, 20, 40, 30])
    stolen = np.array([True, True, False, False])
    assert oldest_left(rows, stolen).tolist() == [0, 1]


def test_a_task_pushed_after_the_steal_could_not_have_been_had():
    rows = pushed_and_taken([5, 9, 9])
    rows["spawned"] = np.array([0, 3, 7])
    # At 5 task 2 is not there yet: the steal of 0 keeps what it took.
    assert oldest_left(rows, np.array([True, False, False])).tolist() == [0]


def slow_oldest_left(rows, stolen):
    given_away, found = set(), {}
    for row in sorted(np.flatnonzero(stolen), key=lambda row: rows["started"][row]):
        timestamp = rows["started"][row]
        there = [
            other
            for other in range(len(stolen))
            if rows["owner"][other] == rows["owner"][row]
            and rows["spawned"][other] <= timestamp <= rows["started"][other]
            and other not in given_away
        ]
        found[row] = there[0] if there else row
        given_away.add(there[0] if there else None)
    return [found[row] for row in np.flatnonzero(stolen)]


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 10_000))
def test_the_task_that_each_steal_could_have_taken_is_that_of_the_obvious_search(seed):
    draw = random.Random(seed)
    count = draw.randint(1, 25)
    owner = sorted(draw.randint(0, 2) for _ in range(count))
    spawned = [draw.randint(0, 50) for _ in range(count)]
    pairs = sorted(zip(owner, spawned, strict=True))
    timestamps = draw.sample(range(51, 500), count)  # a take is after its push
    rows = {
        "owner": np.array([pair[0] for pair in pairs], dtype=np.int64),
        "spawned": np.array([pair[1] for pair in pairs], dtype=np.int64),
        "started": np.array(timestamps, dtype=np.int64),
    }
    stolen = np.array([draw.random() < 0.5 for _ in range(count)])
    assert oldest_left(rows, stolen).tolist() == slow_oldest_left(rows, stolen)


def rounds(count, *, stolen_first):
    """Worker 0 pushes a large task of 8 ms, then a small one of 1 ms, `count` times.

    Worker 1 steals one of the two (the large one with `stolen_first`), worker 0 takes the other.
    """
    history = History(2, count * 20 * MS)
    for turn in range(count):
        begin = turn * 20 * MS
        for place, length in enumerate((8 * MS, MS)):
            thief = (place == 0) == stolen_first
            spawned, started = begin + place * MS, begin + 3 * MS
            history.tasks.append(
                Task(
                    2 * turn + place,
                    spawned,
                    int(thief),
                    started,
                    started + length,
                    taken_from=0 if thief else -1,
                    spawned_by=0,
                )
            )
    return ledger(history).pools[0], history.end


def test_thieves_of_the_newest_bring_the_small_task_where_they_could_have_had_the_large_one():
    pool, end = rounds(40, stolen_first=False)
    found = larger_steals(pool, 0, end, ends(stolen_at_end=0))
    assert found.steals == 40
    assert (found.brought_s, found.could_s) == pytest.approx((0.001, 0.008))
    assert found.spared == pytest.approx(7 / 8)


def test_owners_of_the_oldest_take_the_large_task_that_thieves_could_have_had():
    # The owner begins its large task while the small one is there still.
    pool, end = rounds(40, stolen_first=False)
    started = pool.tasks["started_ns"]
    started[pool.tasks["taken_from"] == -1] -= MS  # its own take comes first
    pool.tasks["ended_ns"][pool.tasks["taken_from"] == -1] -= MS
    found = larger_steals(pool, 0, end, ends(own_at_end=0))
    assert (found.brought_s, found.could_s) == pytest.approx((0.001, 0.008))


def test_where_the_promised_ends_are_used_or_steals_are_few_there_is_no_finding():
    pool, end = rounds(40, stolen_first=True)
    assert larger_steals(pool, 0, end, ends()) is None
    assert larger_steals(pool, 0, end, None) is None
    pool, end = rounds(29, stolen_first=False)
    assert larger_steals(pool, 0, end, ends(stolen_at_end=0)) is None


# -- attempts ------------------------------------------------------------------------------------


def test_attempts_that_all_go_to_one_of_two_victims_are_half_misplaced_less_chance():
    attempts = np.array([[0, 100, 0], [100, 0, 0], [100, 0, 0]])
    # Each of six cells is 50 off; chance would make it sqrt(2/pi * 50 / 2) off on average.
    chance = 6 * math.sqrt(2 / math.pi * 25) / 2
    assert misplaced(attempts) == pytest.approx((150 - chance) / 300)


def test_even_attempts_and_draws_at_random_are_hardly_misplaced():
    assert misplaced(np.array([[0, 9, 9], [9, 0, 9], [9, 9, 0]])) == 0.0
    draw = np.random.default_rng(5)
    attempts = np.zeros((8, 8), dtype=np.int64)
    for thief in range(8):
        others = [other for other in range(8) if other != thief]
        attempts[thief, others] = draw.multinomial(2000, [1 / 7] * 7)
    assert misplaced(attempts) < 0.01


def test_without_attempts_or_without_victims_nothing_is_misplaced():
    assert misplaced(np.zeros((3, 3), dtype=np.int64)) == 0.0
    assert misplaced(np.zeros((1, 1), dtype=np.int64)) == 0.0


def test_an_even_choice_finds_victims_with_work_as_often_as_they_were_found():
    attempts = np.array([[0, 90, 10], [0, 0, 0], [0, 0, 0]])
    hits = np.array([[0, 9, 9], [0, 0, 0], [0, 0, 0]])
    # 50 attempts at a victim that has work in one of ten, 50 at one that has in nine of ten.
    assert hits_if_even(attempts, hits) == pytest.approx(50 * 0.1 + 50 * 0.9)


# -- what each accounts for ----------------------------------------------------------------------

UNEVEN_ATTEMPTS = steal_counts(
    hits=((0, 9, 9), (0, 0, 0), (0, 0, 0)),
    empties=((0, 81, 1), (0, 0, 0), (0, 0, 0)),
    lost_races=((0, 0, 0),) * 3,
)
NO_ATTEMPTS = steal_counts(*(((0, 0), (0, 0)),) * 3)
UNEVEN = replace(NO_CHOICE, verdict="broken", pattern="fixed order")
LARGER = LargerStealsReading(100, 0.01, 0.04)


def spin(spin_s, parks, cost_s, saved_s):
    return SpinReading(spin_s, parks, 0.0, cost_s, saved_s, 1.0)


def parked(*spins, wasted=0, park_cost_s=0.001):
    return ParkingReading(
        window_s=10.0,
        parks=1000,
        wakes=1000,
        median_s=0.002,
        p90_s=0.01,
        p99_s=0.02,
        useful=1000 - wasted,
        wasted=wasted,
        wake_to_work_s=park_cost_s,
        wake_to_work_p90_s=park_cost_s,
        park_cost_s=park_cost_s,
        spins=spins or (spin(0.0, 1000, 1.0, 0.0),),
        clairvoyant_s=0.0,
    )


def contended(waited_s, thieves_s):
    return ContentionReading(
        reported=True,
        contended=500,
        lost=0,
        unknown=0,
        missing=0,
        near_empty=300,
        longer=200,
        judged=200,
        waited_s=waited_s,
        thieves_s=thieves_s,
        longer_s=waited_s / 2,
        median_s=0.001,
        p99_s=0.01,
        by_length=(),
        timestamps_ns=(),
    )


def pool_time(workers=2, seconds=10.0, **by_category):
    """Return the time of so many workers; what is not given is working."""
    known = {name: round(by_category.get(name, 0) * SECOND) for name in CATEGORIES}
    total = round(workers * seconds * SECOND)
    known["working"] = total - sum(known.values())
    by_category = np.zeros((len(CATEGORIES), workers), dtype=np.int64)
    by_category[:, 0] = [known[name] for name in CATEGORIES]  # who it was makes no difference
    return PoolTime(by_category, round(seconds * SECOND))


def findings_and_costs(time, use, steals=NO_ATTEMPTS):
    costs = scheduler_costs(time, steals, use)
    return {found.code: found for found in scheduler_findings(time, steals, use, costs)}, costs


def test_a_wrong_end_accounts_for_the_searching_that_larger_steals_would_spare():
    use = SchedulerUse(ends(stolen_at_end=0), LARGER)
    found, costs = findings_and_costs(pool_time(searching=1.0), use)
    assert found["wrong-steal-end"].worker_seconds == pytest.approx(0.75)
    assert costs.searching == pytest.approx(0.75 * SECOND)
    assert "thieves took the newest" in found["wrong-steal-end"].sentence
    assert "75%" in found["wrong-steal-end"].evidence


def test_the_advice_depends_on_whose_end_was_wrong():
    found, _ = findings_and_costs(
        pool_time(searching=1.0), SchedulerUse(ends(own_at_end=0), LARGER)
    )
    assert "owners took the oldest" in found["wrong-steal-end"].sentence
    assert found["wrong-steal-end"].advice.startswith("Let owners take")


def test_uneven_attempts_account_for_their_share_of_the_rest_of_searching():
    attempts = np.array([[0, 90, 10], [0, 0, 0], [0, 0, 0]])
    use = SchedulerUse(ends(stolen_at_end=0), LARGER, UNEVEN)
    found, costs = findings_and_costs(pool_time(searching=1.0), use, UNEVEN_ATTEMPTS)
    uneven = found["uneven-victims"]
    assert uneven.worker_seconds == pytest.approx(0.25 * misplaced(attempts))
    assert costs.searching == pytest.approx((0.75 + 0.25 * misplaced(attempts)) * SECOND)
    # 18 hits where evenly spread attempts would have had 50: so much of the searching is to gain.
    assert uneven.gain_s == pytest.approx(0.25 * (1 - 18 / 50))
    assert "fixed order" in uneven.sentence


def test_where_an_even_choice_would_find_no_more_there_is_no_gain():
    none = (0, 0, 0)
    swapped = steal_counts(((0, 81, 1), none, none), ((0, 9, 9), none, none), (none,) * 3)
    found, _ = findings_and_costs(pool_time(searching=1.0), SchedulerUse(choice=UNEVEN), swapped)
    assert found["uneven-victims"].gain_s is None


def test_an_even_choice_is_no_finding_however_the_attempts_fell():
    kept = replace(UNEVEN, verdict="kept")
    assert (
        findings_and_costs(pool_time(searching=1.0), SchedulerUse(choice=kept), UNEVEN_ATTEMPTS)[0]
        == {}
    )


def test_contention_accounts_for_thieves_waits_in_searching_and_owners_in_dispatch():
    use = SchedulerUse(contention=contended(waited_s=3.0, thieves_s=2.0))
    found, costs = findings_and_costs(pool_time(searching=1.5, dispatch=0.5), use)
    assert found["deque-contention"].worker_seconds == pytest.approx(1.5 + 0.5)
    assert costs.searching == pytest.approx(1.5 * SECOND)
    found, costs = findings_and_costs(pool_time(searching=4.0, dispatch=4.0), use)
    assert found["deque-contention"].worker_seconds == pytest.approx(3.0)
    assert "200 of them at deques of two tasks or more" in found["deque-contention"].evidence


def test_park_churn_accounts_for_waking_and_for_wakes_that_led_to_no_work():
    time = pool_time(waking=1.0, searching=2.0)
    found, costs = findings_and_costs(time, SchedulerUse(parking=parked(wasted=300)))
    churn = found["park-churn"]
    assert churn.worker_seconds == pytest.approx(1.0 + 300 * 0.001)
    assert costs.searching == pytest.approx(0.3 * SECOND)
    assert churn.gain_s is None
    assert "Keep searching" not in churn.advice


def test_wasted_wakes_account_for_no_more_than_there_was_searching():
    time = pool_time(waking=1.0, searching=0.1)
    found, _ = findings_and_costs(time, SchedulerUse(parking=parked(wasted=300)))
    assert found["park-churn"].worker_seconds == pytest.approx(1.1)


def test_where_spinning_first_would_be_cheaper_the_finding_advises_it_with_its_gain():
    spins = (spin(0.0, 1000, 1.0, 0.0), spin(0.001, 10, 0.4, 0.6))
    found, _ = findings_and_costs(pool_time(waking=1.0), SchedulerUse(parking=parked(*spins)))
    assert found["park-churn"].advice.startswith("Keep searching for 1 ms")
    assert found["park-churn"].gain_s == pytest.approx(0.6)


@pytest.mark.parametrize(
    ("time", "use"),
    [
        (pool_time(seconds=0.9, searching=0.5, waking=0.5), SchedulerUse(ends(), LARGER)),
        (pool_time(searching=0.00002), SchedulerUse(ends(), LARGER)),
        (pool_time(waking=0.9 * LEAST_SHARE * 20), SchedulerUse(parking=parked())),
        (pool_time(waking=5.0), SchedulerUse(parking=None)),
        (pool_time(waking=5.0), SchedulerUse(parking=parked(park_cost_s=None))),
        (pool_time(searching=5.0, waking=0.5), SchedulerUse()),
    ],
)
def test_with_little_data_or_cost_nothing_is_found(time, use):
    found, costs = findings_and_costs(time, use)
    assert found == {}
    assert costs == SchedulerCosts()


def test_time_that_other_findings_account_for_is_no_long_search_too():
    time = pool_time(searching=4.0)
    use = SchedulerUse(ends(stolen_at_end=0), LARGER)
    costs = scheduler_costs(time, NO_ATTEMPTS, use)
    others = scheduler_findings(time, NO_ATTEMPTS, use, costs)
    found = findings(time.pool, 2, 10.0, others=others, searched_ns=costs.searching)
    seconds = {finding.code: finding.worker_seconds for finding in found}
    assert seconds == pytest.approx({"wrong-steal-end": 3.0, "long-searches": 1.0})
    assert found[0].code == "wrong-steal-end"


amounts = st.integers(0, 10**10)


@settings(max_examples=200)
@given(
    by_category=st.tuples(*[amounts] * len(CATEGORIES)),
    spared=st.floats(1e-3, 1.0),
    wasted=st.integers(0, 10**6),
    shares=st.tuples(st.floats(0, 1), st.floats(0, 1), st.floats(0, 3)),
    waits=st.tuples(st.floats(0, 20), st.floats(0, 1)),
    core_time=st.sampled_from(["kernel", "process"]),
)
def test_no_worker_time_is_accounted_for_twice(
    by_category, spared, wasted, shares, waits, core_time
):
    blocked_share, idle_share, throttled = shares
    if core_time == "process":
        by_category = (*by_category[:2], 0, *by_category[3:])
    time = PoolTime(np.array([by_category]).T, 2 * SECOND, core_time)
    pool = time.pool
    use = SchedulerUse(
        ends(stolen_at_end=0),
        LargerStealsReading(50, spared, 1.0),
        UNEVEN,
        parked(wasted=wasted),
        contended(waits[0], waits[0] * waits[1]),
    )
    costs = scheduler_costs(time, UNEVEN_ATTEMPTS, use)
    nothing = dict.fromkeys(HostReading.__dataclass_fields__)
    limits = {"usable_cores": 0.5, "quota_cores": 0.5, "throttled_share": throttled}
    host = (HostReading(**{**nothing, **limits, "threads": (), "growth_is_steady": False}),)
    others = (
        *host_findings(time, None, host),
        *scheduler_findings(time, UNEVEN_ATTEMPTS, use, costs),
    )
    seen = (WaitReading("interpreter lock", pool.blocked * blocked_share / 1e9, 0.0, 0.0),)
    blocked = BlockedReading(0.0, 0.0, seen, 100, 0.0, one_core=False)
    stranded = pool.no_work * idle_share
    found = findings(pool, 1, 2.0, None, others, blocked, stranded, costs.searching)
    lost = pool.total - pool.working
    assert sum(finding.worker_seconds for finding in found) <= lost / 1e9 * (1 + 1e-9)
    assert all(finding.worker_seconds >= 0 for finding in found)
