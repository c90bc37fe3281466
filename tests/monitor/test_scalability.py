"""The universal scalability law against published fits, and on curves that follow it or do not."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from idlehands_monitor.analysis.whatif.scalability import fit, law_of, quadratic
from idlehands_monitor.model.whatif import CurvePoint, ScalabilityReading, Unit

# SPEC SDM91 on a SPARCcenter 2000, and a ray tracer on a 64-way machine (N. J. Gunther 2007,
# Guerrilla Capacity Planning, Table 5.1), as in the data and test outputs of the R package usl
# (repository smoeding/usl), whose fits these are. The quadratic fit of the ray tracer is recalled.
SPEC = (1, 18, 36, 72, 108, 144, 216), (64.9, 995.9, 1652.4, 1853.2, 1828.9, 1775.0, 1702.2)
RAY = (
    (1, 4, 8, 12, 16, 20, 24, 28, 32, 48, 64),
    (20, 78, 130, 170, 190, 200, 210, 230, 260, 280, 310),
)
SYNTHETIC = (1, 2, 4, 6, 8, 10), (1, 1.8868, 3.0769, 3.5294, 3.5398, 3.3557)


def test_the_fit_of_spec_sdm91_is_the_published_one():
    found = fit(*SPEC)
    assert found.alpha == pytest.approx(0.0277285, abs=5e-8)
    assert found.beta == pytest.approx(1.044e-4, abs=5e-8)
    assert found.gamma == pytest.approx(89.9952, abs=5e-5)
    assert found.residual == pytest.approx(82.85, abs=5e-3)
    assert found.peak == pytest.approx(96.52, abs=5e-3)
    assert found.rate(found.peak) == pytest.approx(1884, abs=0.5)
    fitted = [found.rate(workers) for workers in SPEC[0]]
    assert fitted == pytest.approx([90, 1078, 1541, 1850, 1879, 1822, 1646], abs=0.5)
    assert found.gamma / found.alpha == pytest.approx(3245.6, abs=0.05)
    assert 1 / found.alpha == pytest.approx(36.064, abs=5e-4)


def test_the_fit_of_the_ray_tracer_has_no_coherence_and_so_no_peak():
    found = fit(*RAY)
    assert found.alpha == pytest.approx(0.057771, abs=5e-7)
    assert (found.beta, found.peak) == (0.0, None)
    assert found.gamma == pytest.approx(21.848843, abs=5e-7)
    assert found.gamma / found.alpha == pytest.approx(378.2, abs=0.05)


def test_the_fit_of_the_synthetic_curve_is_what_it_was_made_of():
    found = fit(*SYNTHETIC)
    assert (found.alpha, found.beta, found.gamma) == pytest.approx((0.02, 0.02, 1), abs=1e-5)


@pytest.mark.parametrize(
    ("data", "alpha", "beta", "digits"),
    [(SPEC, 1.704689e-2, 7.892498e-5, 5e-7), (RAY, 0.0500239, 4.70822e-6, 2e-6)],
)
def test_the_quadratic_regression_is_the_published_one(data, alpha, beta, digits):
    assert quadratic(*data) == pytest.approx((alpha, beta), rel=digits)


def test_the_quadratic_regression_of_a_linear_curve_from_four_workers_on_is_zero():
    assert quadratic((4, 8, 16, 32), (12, 24, 48, 96)) == pytest.approx((0, 0), abs=1e-12)


def test_the_peak_follows_from_contention_and_coherence():
    law = ScalabilityReading(0.001, 1e-5, 1.0, None, 0.0)
    rates = [law.rate(workers) for workers in (1, 4, 16, 64, 256, 1024)]
    assert fit((1, 4, 16, 64, 256, 1024), rates).peak == pytest.approx(316.0696, abs=5e-4)


@pytest.mark.parametrize(
    ("serial", "speedup"), [(0, 1024), (0.01, 91.18), (0.02, 47.72), (0.03, 32.31), (0.04, 24.43)]
)
def test_without_coherence_the_law_is_amdahls(serial, speedup):
    # J. L. Gustafson (1988), "Reevaluating Amdahl's law", CACM 31(5):532-533: at 1024 processors.
    law = ScalabilityReading(serial, 0.0, 1.0, None, 0.0)
    assert law.rate(1024) == pytest.approx(speedup, abs=5e-3)


@pytest.mark.parametrize(
    ("serial", "workers", "speedup"), [(0.1, 10, 5.26316), (0.05, 20, 10.25641)]
)
def test_the_serial_share_of_amdahls_law_comes_back_from_its_curve(serial, workers, speedup):
    numbers = [1, 2, 5, workers]
    rates = [1 / (serial + (1 - serial) / number) for number in numbers]
    assert rates[-1] == pytest.approx(speedup, abs=5e-6)
    found = fit(numbers, rates)
    assert (found.alpha, found.beta) == pytest.approx((serial, 0), abs=1e-6)


@given(st.floats(0.01, 0.5), st.floats(1e-4, 0.05), st.floats(1e-3, 1e6))
def test_the_parameters_of_any_curve_of_the_law_come_back(alpha, beta, gamma):
    law = ScalabilityReading(alpha, beta, gamma, None, 0.0)
    numbers = (1, 2, 4, 8, 16, 32)
    found = fit(numbers, [law.rate(number) for number in numbers])
    assert (found.alpha, found.beta) == pytest.approx((alpha, beta), rel=1e-4, abs=1e-6)
    assert found.gamma == pytest.approx(gamma, rel=1e-5)


@pytest.mark.parametrize(
    ("rates", "alpha"), [((1, 2, 4, 8), 0), ((3, 3, 3, 3), 1), ((1, 2.2, 4.6, 10), 0)]
)
def test_curves_at_the_bounds_have_parameters_at_the_bounds(rates, alpha):
    """Linear; flat; more than linear, which the law does not know."""
    found = fit((1, 2, 4, 8), rates)
    assert (found.alpha, found.beta) == pytest.approx((alpha, 0), abs=1e-6)


def test_a_curve_that_only_falls_peaks_at_one_worker():
    assert fit((1, 2, 4, 8), (10, 5, 3, 1)).peak == 1


def test_a_curve_may_begin_with_more_than_one_worker_and_come_in_any_order():
    law = ScalabilityReading(0.05, 0.001, 3.0, None, 0.0)
    numbers = (32, 4, 8, 64, 16)
    found = fit(numbers, [law.rate(number) for number in numbers])
    assert (found.alpha, found.beta, found.gamma) == pytest.approx((0.05, 0.001, 3.0), rel=1e-5)


# -- of a what-if's curve ------------------------------------------------------------------------


def curve(*medians):
    return [CurvePoint(2**place, 0.0, median, 0.0) for place, median in enumerate(medians)]


def test_the_law_of_times_is_that_of_runs_a_second():
    found = law_of(curve(8.0, 4.0, 2.0, 1.0), Unit.SECONDS)
    assert (found.alpha, found.beta, found.gamma) == pytest.approx((0, 0, 1 / 8), abs=1e-9)


def test_the_law_of_tasks_a_second_is_in_their_unit():
    found = law_of(curve(5.0, 10.0, 20.0, 40.0), Unit.TASKS_PER_S)
    assert (found.alpha, found.beta, found.gamma) == pytest.approx((0, 0, 5), abs=1e-9)


@pytest.mark.parametrize(
    ("points", "unit"),
    [
        (curve(8.0, 4.0, 2.0, 1.0), Unit.P95_S),
        (curve(8.0, 4.0, 2.0), Unit.SECONDS),
        (curve(8.0, 4.0, 2.0, 0.0), Unit.SECONDS),
        (curve(8.0, 4.0, 2.0, float("nan")), Unit.SECONDS),
    ],
)
def test_percentiles_few_points_and_nonsense_have_no_law(points, unit):
    assert law_of(points, unit) is None


@pytest.mark.parametrize(
    ("workers", "rates"),
    [((1, 2, 4), (1, 2, 3)), ((1, 2, 4, 8), (1, 2, 3, -1)), ((0, 1, 2, 4), (1, 1, 1, 1))],
)
def test_nonsense_is_refused_in_one_line(workers, rates):
    with pytest.raises(ValueError, match=r"\A[^\n]+\Z"):
        fit(workers, rates)
