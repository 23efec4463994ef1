"""Which degree a calibration curve needs: the lowest that the readings do not contradict."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from acq.analysis.calibration_data import CalibrationData
from acq.analysis.load_series import SeriesError
from acq.analysis.polynomial import HIGHEST_DEGREE, SIGNIFICANCE, Polynomial, fit_polynomial


@dataclass(frozen=True, slots=True)
class DegreeChoice:
    """The curve that was chosen, every curve that was tried, and why."""

    chosen: Polynomial
    tried: tuple[Polynomial, ...]
    because: str


def choose_degree(
    data: CalibrationData, highest: int = HIGHEST_DEGREE, significance: float = SIGNIFICANCE
) -> DegreeChoice:
    """Return the lowest degree that is good enough.

    With replicates: the lowest degree without significant lack of fit. Without: degrees are
    added while the newest term is significant (F of the extra sum of squares).
    """
    tried = _possible(data, highest)
    tests = [curve.lack_of_fit(significance) for curve in tried]
    for curve, test in zip(tried, tests, strict=True):
        if test is not None and not test.significant:
            because = f"lack of fit F {test.f_ratio:.4g} is not above {test.critical:.4g}"
            return DegreeChoice(curve, tried, because)
    if tests[0] is not None:
        because = "no degree is free of lack of fit: the highest that the points allow"
        return DegreeChoice(tried[-1], tried, because)
    return _by_terms(tried, significance)


def _possible(data: CalibrationData, highest: int) -> tuple[Polynomial, ...]:
    levels = data.levels
    most = min(highest, levels - 2)
    if most < 1:
        raise SeriesError(
            f"a choice of degree needs at least 3 different loads, there are {levels}"
        )
    return tuple(fit_polynomial(data, degree) for degree in range(1, most + 1))


def _by_terms(tried: Sequence[Polynomial], significance: float) -> DegreeChoice:
    from scipy.special import fdtri

    chosen = tried[0]
    because = "no replicates: the next term is not significant"
    for curve in tried[1:]:
        gained = chosen.sum_of_squares - curve.sum_of_squares
        critical = float(fdtri(1, curve.degrees_of_freedom, 1.0 - significance))
        if gained <= critical * curve.sum_of_squares / curve.degrees_of_freedom:
            return DegreeChoice(chosen, tuple(tried), because)
        chosen = curve
    return DegreeChoice(chosen, tuple(tried), "no replicates: every term is significant")
