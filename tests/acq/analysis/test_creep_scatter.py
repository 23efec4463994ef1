"""Noise and 1/f drift of a creep record told apart: against spectra, and over drawn records."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from acq.analysis.creep import CreepReading, CreepResults, creep_record, creep_results
from acq.analysis.creep_fit import fit_creep
from acq.analysis.creep_scatter import DRIFT, SlowDrift, residuals_about, slow_drift
from acq.analysis.propagation import Influence, Readings
from tests.acq.analysis.constructed import RATED

EVERY_S = 60.0
WHITE, DENSITY = 3e-9, 4e-18  # V/V of a reading; V/V squared, so 1/f is h / f
SIZE, TAUS = 2e-4, ((0.4, 120.0), (0.6, 1980.0))


def differ(apart_s: float) -> float:
    """Return the variance of the difference of two 1 s means of h / f with h = 1, by its spectrum.

    The relation of spectrum and variance (Wiener and Khinchin): 2 (1 - cos) of the lag, times the
    squared transfer of a mean over 1 s.
    """
    f = np.geomspace(1e-7, 200.0, 2_000_000)
    by_log = 2.0 * (1.0 - np.cos(2 * math.pi * f * apart_s)) * np.sinc(f) ** 2
    return float(np.trapezoid(by_log, np.log(f)))


@pytest.mark.parametrize("apart_s", [2.0, 10.0, 60.0, 1800.0])
def test_two_readings_differ_by_the_variance_that_the_spectrum_gives(apart_s: float) -> None:
    drift = SlowDrift(1.0, 9.0, _covariance_of([0.0, apart_s]))
    stated = drift.contribution(np.array([1.0, -1.0]), _readings(2)).standard_uncertainty ** 2
    assert stated == pytest.approx(differ(apart_s), rel=1.5e-2)


def _covariance_of(seconds: list[float]) -> NDArray[np.float64]:
    outputs = [1e-3 * (-1.0) ** k for k in range(len(seconds))]
    residuals = residuals_about(None, seconds, outputs)
    found = slow_drift(residuals, seconds, slice(0, len(seconds)), _readings(len(seconds)), [])
    assert found is not None
    return found.covariance


def _readings(count: int) -> Readings:
    return Readings(np.zeros(count), np.zeros(count), np.ones(count, dtype=np.int64))


def pink(rng: np.random.Generator, count: int) -> NDArray[np.float64]:
    """Return 1 s means of noise whose one-sided spectral density is 1 / f, drawn by frequencies."""
    long = 16_384
    f = np.fft.rfftfreq(long, 1.0)
    size = np.zeros(len(f))
    # of numpy's unnormalised transform X a line has the variance 2 |X|^2 / long^2
    size[1:] = np.sqrt(long / (4.0 * f[1:])) * np.sinc(f[1:])
    drawn_lines = size * (rng.normal(size=len(f)) + 1j * rng.normal(size=len(f)))
    return np.asarray(np.fft.irfft(drawn_lines, long)[:count])


def crept(seconds: float) -> float:
    return SIZE * sum(part * (1 - math.exp(-seconds / tau)) for part, tau in TAUS)


def drawn(rng: np.random.Generator, density: float) -> CreepResults:
    """Return the results of one record: white noise that is stated, 1/f drift that is not."""
    wander = math.sqrt(density) * pink(rng, 4000)
    readings = [CreepReading(time_s=0.0, load=0.0, output=_off(rng, wander, 0.0))]
    for k in range(31):
        t = 60.0 + EVERY_S * k
        true = RATED * (1.0 + crept(t - 30.0))
        readings.append(CreepReading(time_s=t, load=500.0, output=true + _off(rng, wander, t)))
    noise = Influence(name="noise", standard_uncertainty=WHITE)
    return creep_results(creep_record(readings), [noise])


def _off(rng: np.random.Generator, wander: NDArray[np.float64], at_s: float) -> float:
    return float(WHITE * rng.normal() + wander[round(at_s)])


def test_creep_under_a_meter_that_drifts_has_the_uncertainty_that_its_errors_show() -> None:
    rng = np.random.default_rng(20260401)
    true = (crept(1830.0) - crept(30.0)) / (1.0 + crept(30.0))
    errors, stated, plain = [], [], []
    for _ in range(150):
        found = drawn(rng, DENSITY)
        assert found.creep_30_min.uncertainty is not None
        assert found.fit is not None
        errors.append(found.creep_30_min.value - true)
        stated.append(found.creep_30_min.uncertainty)
        plain.append(math.sqrt(2.0) * found.fit.residual_deviation / RATED)
    standard = _root_mean_square([each.standard for each in stated])
    # three times what 150 draws may be off
    assert _root_mean_square(errors) == pytest.approx(standard, rel=0.17)
    assert np.mean(np.abs(errors) <= [each.expanded for each in stated]) > 0.91
    # all of the scatter taken for each reading's own falls short
    assert standard > 1.06 * _root_mean_square(plain)


def _root_mean_square(values: list[float]) -> float:
    return math.sqrt(float(np.mean(np.square(values))))


def test_readings_that_scatter_as_stated_show_next_to_no_drift() -> None:
    rng = np.random.default_rng(5)
    sizes = []
    for _ in range(60):
        stated = drawn(rng, 0.0).creep_30_min.uncertainty
        assert stated is not None
        parts = {part.name: part.standard_uncertainty for part in stated.budget}
        assert parts["noise"] == pytest.approx(math.sqrt(2.0) * WHITE / RATED, rel=1e-3)
        sizes.append(parts.get(DRIFT, 0.0))
    assert np.median(sizes) < 0.5 * math.sqrt(2.0) * WHITE / RATED


def test_residuals_are_what_no_curve_of_this_kind_takes_up() -> None:
    seconds = [30.0 * k for k in range(61)]
    outputs = [1e-3 * (1.0 - 1e-4 * math.exp(-t / 400.0)) for t in seconds]
    fit = fit_creep(seconds, outputs)
    assert fit is not None
    residuals = residuals_about(fit, seconds, outputs)
    assert residuals.degrees_of_freedom == fit.degrees_of_freedom
    same, slower = np.ones(61), np.exp(-np.array(seconds) / 400.0)
    assert np.abs(residuals.left @ same).max() < 1e-9
    assert np.abs(residuals.left @ slower).max() < 1e-9
