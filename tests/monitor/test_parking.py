"""Parks and wakes, by hand and against a slow search; spinning against published ratios."""

from __future__ import annotations

import json
import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from readings import source

from histories import History, Task, frames, ledger, random_history, scaled, take_in
from idlehands_monitor.analysis.assemble import read
from idlehands_monitor.analysis.parking.parking import parking, recorded
from idlehands_monitor.analysis.parking.spinning import clairvoyant_costs, spin_costs, spin_reading
from idlehands_monitor.ledger import Ledger
from idlehands_monitor.views import json as json_view
from idlehands_monitor.views import text

US = 1_000


def ratios(waits, spin, park):
    return spin_costs(waits, spin, park) / clairvoyant_costs(waits, park)


# -- spinning ------------------------------------------------------------------------------------
# Ratios: A. R. Karlin, M. S. Manasse, L. A. McGeoch, S. Owicki 1994, Algorithmica 11:542-571.


def test_spinning_as_long_as_a_park_costs_is_at_worst_twice_the_clairvoyant():
    waits = np.linspace(0.01, 30, 3000)
    found = ratios(waits, 10.0, 10.0)
    assert found.max() == 2
    assert found[waits <= 10].max() == 1  # it only pays too much where it parks after all


@pytest.mark.parametrize("spin", [0.0, 3.0, 9.0, 11.0, 40.0])
def test_no_other_fixed_spin_does_better_than_twice(spin):
    waits = np.append(np.linspace(0.01, 60, 6000), spin + 1e-9)
    assert ratios(waits, spin, 10.0).max() > 2


@pytest.mark.parametrize(("park", "ratio"), [(2, 1.5), (3, 1.6667), (4, 1.75), (10, 1.9)])
def test_in_whole_units_the_best_fixed_spin_is_one_unit_shorter(park, ratio):
    waits = np.arange(1, 5 * park)
    assert ratios(waits, park - 1, park).max() == pytest.approx(2 - 1 / park)
    assert ratios(waits, park - 1, park).max() == pytest.approx(ratio, abs=5e-5)
    assert min(ratios(waits, spin, park).max() for spin in range(3 * park)) == pytest.approx(
        ratio, abs=5e-5
    )


@pytest.mark.parametrize(
    ("park", "ratio"),
    [
        (1, Fraction(1)),
        (2, Fraction(4, 3)),
        (3, Fraction(27, 19)),
        (4, Fraction(256, 175)),
        (10, 1.535340),
        (100, 1.577368),
    ],
)
def test_the_best_random_spin_in_whole_units_has_one_ratio_for_all_waits(park, ratio):
    waits = np.arange(1, 3 * park)
    keep = 1 - 1 / park
    chances = [keep ** (park - unit) / (park * (1 - keep**park)) for unit in range(1, park + 1)]
    assert sum(chances) == pytest.approx(1)
    costs = sum(
        chance * spin_costs(waits, unit - 1, park) for unit, chance in enumerate(chances, start=1)
    )
    assert costs / clairvoyant_costs(waits, park) == pytest.approx(float(ratio), abs=5e-7)


def test_the_best_random_spin_in_continuous_time_has_the_ratio_of_e():
    # Density exp(x/B)/(B(e - 1)) on [0, B]: e/(e - 1) for every wait.
    park, parts = 10.0, 4_000
    spins = (np.arange(parts) + 0.5) / parts * park
    weights = np.exp(spins / park) / (math.e - 1) / parts
    waits = np.array([0.5, 3.0, 9.99, 12.0, 100.0])
    costs = sum(
        weight * spin_costs(waits, spin, park)
        for weight, spin in zip(weights.tolist(), spins.tolist(), strict=True)
    )
    assert costs / clairvoyant_costs(waits, park) == pytest.approx(1.5819767068693265, rel=1e-3)


def test_parking_after_8_or_10_days_at_even_chances_is_at_worst_1_8():
    # The ski rental example: rent for 7 or 9 days, then buy for 10.
    waits = np.arange(1, 60)
    costs = (spin_costs(waits, 7, 10) + spin_costs(waits, 9, 10)) / 2
    assert (costs / clairvoyant_costs(waits, 10)).max() == pytest.approx(1.8)


@pytest.mark.parametrize(
    ("rate", "spin", "cost"),
    [
        # (1 - exp(-rate spin))/rate + B exp(-rate spin), B = 1
        (2.0, 1.0, 0.567667641618),
        (0.5, 1.0, 1.393469340287),
        (1.0, 0.0, 1.0),  # a mean wait of B: the spin changes nothing
        (1.0, 0.5, 1.0),
        (1.0, 3.0, 1.0),
    ],
)
def test_exponential_waits_cost_their_integral(rate, spin, cost):
    count = 1_000_000
    waits = -np.log1p(-(np.arange(count) + 0.5) / count) / rate
    assert spin_costs(waits, spin, 1.0).mean() == pytest.approx(cost, rel=1e-4)


def test_the_cost_of_a_spin_by_hand():
    found = spin_reading(np.array([1, 4, 5, 30]) * 1_000_000_000, 4e9, 10e9)
    assert (found.parks, found.spun_s, found.cost_s) == (2, 1 + 4 + 4 + 4, 33)
    assert found.saved_s == 40 - 33
    assert found.ratio == 33 / (1 + 4 + 5 + 10)


# -- parks ---------------------------------------------------------------------------------------


@given(st.integers(0, 10_000))
def test_parks_are_those_of_a_slow_search(seed):
    history = random_history(seed)
    _, found = recorded(ledger(history).pools[0], 0, history.end)
    slow = []
    for worker, began, ended, parked, woken in history.idle_intervals:
        if not parked:
            continue
        starts = [task.started for task in history.tasks if task.worker == worker]
        resumed = [wait[3] for wait in history.waits if wait[0] == worker]
        work = min(
            (timestamp for timestamp in starts + resumed if timestamp >= ended), default=None
        )
        others = [
            idle_interval[1]
            for idle_interval in history.idle_intervals
            if idle_interval[0] == worker and idle_interval[3]
        ]
        again = min((timestamp for timestamp in others if timestamp >= ended), default=None)
        useful = work is not None and (again is None or work <= again)
        slow.append((began, ended, woken, work if useful else -1, not useful and again is not None))
    rows = sorted(zip(*(column.tolist() for column in found), strict=True))
    assert rows == sorted(slow)


def parks(count=40, *, length=1_000 * US, latency=50 * US, useful=True):
    """Return a pool of one worker that parks and is woken for a task, or for none."""
    history, now = History(1, 0), 0
    for number in range(count):
        woken = now + length
        began = woken + latency
        history.idle_intervals.append((0, now, began - 10 * US, True, woken))
        if useful or number % 2:
            history.tasks.append(Task(len(history.tasks), woken, 0, began, began + 100 * US))
        now = began + 200 * US
    history.end = now
    return history


def parking_of(history, **options):
    return parking(ledger(history).pools[0], 0, history.end, **options)


def test_parks_lengths_and_the_way_from_a_wake_to_work_by_hand():
    found = parking_of(parks())
    assert (found.parks, found.wakes, found.useful, found.wasted) == (40, 40, 40, 0)
    assert found.median_s == found.p99_s == pytest.approx(0.001040)
    assert found.wake_to_work_s == found.wake_to_work_p90_s == pytest.approx(0.000050)
    assert found.window_s == pytest.approx(40 * 0.00125)


def test_wakes_that_lead_to_no_task_are_wasted():
    found = parking_of(parks(80, useful=False))
    assert (found.wakes, found.useful, found.wasted) == (80, 40, 40)


def test_the_measured_cost_weighs_spins_against_the_recorded_waits():
    found = parking_of(parks(length=60 * US))
    assert [spin.spin_s for spin in found.spins] == pytest.approx([0, 25e-6, 50e-6, 100e-6])
    assert [spin.parks for spin in found.spins] == [40, 40, 40, 0]
    assert [spin.cost_s for spin in found.spins] == pytest.approx([2e-3, 3e-3, 4e-3, 2.4e-3])
    assert [spin.ratio for spin in found.spins] == pytest.approx([1, 1.5, 2, 1.2])
    assert found.clairvoyant_s == pytest.approx(2e-3)
    assert found.best.spin_s == 0


def test_a_given_cost_takes_the_place_of_the_measured_one():
    found = parking_of(parks(length=60 * US), park_cost_ns=80 * US)
    assert found.park_cost_s == pytest.approx(80e-6)
    assert found.best.spin_s == pytest.approx(80e-6)
    assert found.best.saved_s == pytest.approx(40 * 20e-6)


def test_where_no_wake_is_known_there_are_no_figures_of_spinning():
    history = parks()
    history.idle_intervals = [(*idle_interval[:4], -1) for idle_interval in history.idle_intervals]
    found = parking_of(history)
    assert (found.wake_to_work_s, found.park_cost_s, found.spins, found.best) == (
        None,
        None,
        (),
        None,
    )


def test_few_wakes_give_no_figures():
    assert parking_of(parks(29)) is None


def test_only_parks_that_end_in_the_window_count():
    history = parks(80)
    pool = ledger(history).pools[0]
    half = 40 * 1_250 * US
    found = parking(pool, half, history.end)
    assert (found.parks, found.wakes) == (40, 40)


def shared(count=40):
    """Return a ledger of one worker at a shared queue: every other task is queued already."""
    history, now = History(1, 0), 0
    for number in range(count):
        first, second = Task(2 * number, now + 300 * US), Task(2 * number + 1, now + 310 * US)
        for task, started in ((first, now + 340 * US), (second, now + 500 * US)):
            task.worker, task.started, task.ended = 0, started, started + 100 * US
        history.tasks += [first, second]
        now += 600 * US
    history.end = now + 500 * US
    held = Ledger()
    names, *rest, levels = frames(history)
    take_in(held, {**names, "pool_kind": "thread pool", "shared_queue": True})
    for frame in rest:
        take_in(held, frame)
    take_in(held, {**levels, "workers": [[[3, 0]]]})
    return held


def test_workers_at_a_shared_queue_park_until_the_next_task_is_handed_in():
    held = shared()
    found = read(held, source(), None).pools[0].parking
    # The last park is not over yet.
    assert (found.parks, found.wakes, found.useful, found.wasted) == (41, 40, 40, 0)
    assert found.median_s == pytest.approx(0.000340)
    assert found.wake_to_work_s == pytest.approx(0.000040)


def test_the_views_say_it():
    found = read(ledger(parks(length=60 * US)), source(), None)
    (document,) = json.loads(json_view.render(found))["pools"]
    assert document["parking"]["spins"][2]["ratio"] == pytest.approx(2)
    written = text.explain(found)
    assert "from a wake to work 50 µs (median); 40 wakes, each led to a task" in written
    cost = "A park with its wake cost 50 µs, all together 2.0 ms; spinning first costs more"
    assert cost in written


@given(st.integers(0, 10_000), st.floats(1, 1e6))
def test_no_spin_beats_the_clairvoyant_and_the_length_of_a_park_never_costs_twice(seed, cost):
    history = scaled(random_history(seed), 1000)
    _, found = recorded(ledger(history).pools[0], 0, history.end)
    waits = found.ended_ns - found.began_ns
    for spin in (0.0, cost / 2, cost, 2 * cost):
        assert spin_reading(waits, spin, cost).ratio >= 1 - 1e-12
    assert spin_reading(waits, cost, cost).ratio <= 2 + 1e-12
