"""Tasks that get slower: the test for a change of level, and what is read from a pool."""

from __future__ import annotations

import numpy as np
import pytest

from idlehands_monitor.analysis.whatif.slowing import (
    Slowed,
    change_point,
    part_as_before,
    pettitt,
)

# The annual flow of the Nile at Aswan from 1871 to 1970 in 10^8 m³, the usual example of a change
# of level (G. W. Cobb 1978, Biometrika 65(2):243-251). The values are from memory.
NILE = [
    *(1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960),
    *(1180, 799, 958, 1140, 1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694),
    *(940, 833, 701, 916, 692, 1020, 1050, 969, 831, 726, 456, 824, 702, 1120, 1100, 832, 764),
    *(821, 768, 845, 864, 862, 698, 845, 744, 796, 1040, 759, 781, 865, 845, 944, 984, 897, 822),
    *(1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848, 890, 744, 749, 838, 1050),
    *(918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740),
]


def test_the_flow_of_the_nile_changed_after_1898():
    assert len(NILE) == 100
    assert change_point(np.array(NILE, dtype=float)) == 1898 - 1871 + 1


def test_the_statistic_is_that_of_the_ranks():
    # By hand: ranks 1 2 3 4 of four values, t (n + 1) = 5 10 15 20.
    assert pettitt(np.array([1.0, 2.0, 3.0, 4.0])).tolist() == [-3.0, -4.0, -3.0, 0.0]


@pytest.mark.parametrize("seed", range(200))
def test_chance_alone_is_hardly_ever_taken_for_a_change(seed):
    values = np.random.default_rng(seed).exponential(size=200)
    assert change_point(values) is None


@pytest.mark.parametrize(("before", "after"), [(19, 200), (200, 19), (19, 19)])
def test_too_few_values_on_one_side_show_nothing(before, after):
    values = np.concatenate([np.linspace(1, 2, before), np.linspace(5, 6, after)])
    found = change_point(values)
    assert found is None or found != before


def test_a_change_of_level_is_found_where_it_is():
    random = np.random.default_rng(1)
    values = np.concatenate([random.normal(1, 0.2, 150), random.normal(4, 0.5, 90)])
    assert change_point(values) == 150


def test_the_part_of_the_time_that_stays_is_that_of_the_tasks_before_and_as_before():
    one = Slowed("mill", 10, 1.0, 4.0)
    kind = np.array([True, True, True, False])
    part = part_as_before(one, kind, np.array([0, 10, 20, 30]), np.array([1.0, 4.0, 4.0, 9.0]))
    assert part == pytest.approx(3.0 / 9.0)
