"""How a kind's own time divides: measured states, and samples of what was waited for."""

from __future__ import annotations

import numpy as np
import pytest

from idlehands_monitor.analysis.whatif.shares import LEAST_SAMPLES, kind_shares
from idlehands_monitor.model.vocabulary import WaitReason
from idlehands_monitor.model.worker_time import InTask


def shares(on, blocked, queued, samples=None, waited=None):
    """Return the shares of two kinds and of unknown ones, from ns by kind."""
    by_kind = np.array([[*on, 0], [*blocked, 0], [*queued, 0]], dtype=np.int64)
    counts = np.zeros((len(WaitReason), 3), dtype=np.int64)
    for reason, by in (samples or {}).items():
        counts[list(WaitReason).index(reason)] = [*by, 0]
    idle = np.array([*(waited or (0, 0)), 0], dtype=np.float64)
    return kind_shares(InTask(by_kind, counts), idle)


def test_measured_states_divide_the_time_of_each_kind():
    first, second, _ = shares((20, 90), (70, 0), (10, 10))
    assert (first.on_core, first.off_core, first.core_wait) == pytest.approx((0.2, 0.7, 0.1))
    assert (second.on_core, second.off_core, second.core_wait) == pytest.approx((0.9, 0.0, 0.1))


def test_recorded_waits_are_not_own_time():
    first, *_ = shares((20, 0), (80, 0), (0, 0), waited=(60, 0))
    assert (first.on_core, first.off_core) == pytest.approx((0.5, 0.5))


def test_samples_tell_waits_for_locks_from_the_tasks_own():
    samples = {"interpreter lock": (10, 0), "lock": (20, 0), "sleep": (10, 40)}
    first, second, _ = shares((0, 0), (100, 100), (0, 0), samples)
    assert first.core_wait == pytest.approx(0.25)
    assert first.lock_wait == pytest.approx(0.5)
    assert first.off_core == pytest.approx(0.25)
    assert (second.lock_wait, second.off_core) == pytest.approx((0.0, 1.0))


def test_too_few_samples_tell_nothing():
    samples = {"lock": (LEAST_SAMPLES - 1, 0)}
    first, *_ = shares((0, 0), (100, 0), (0, 0), samples)
    assert (first.lock_wait, first.off_core) == (0.0, 1.0)


def test_few_samples_of_a_kind_are_helped_out_by_those_of_all():
    samples = {"lock": (0, 100), "sleep": (10, 0)}
    first, *_ = shares((0, 0), (100, 100), (0, 0), samples)
    assert first.lock_wait == pytest.approx(10 * (100 / 110) / 20)


def test_kinds_of_which_nothing_was_measured_are_as_all_are():
    *_, unknown = shares((20_000, 20_000), (80_000, 80_000), (0, 0))
    assert (unknown.on_core, unknown.off_core) == pytest.approx((0.2, 0.8), rel=1e-3)


def test_without_any_time_tasks_are_on_a_core():
    first, *_ = shares((0, 0), (0, 0), (0, 0))
    assert (first.on_core, first.off_core) == (1.0, 0.0)
