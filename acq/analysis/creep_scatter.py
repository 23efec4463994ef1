"""How far readings wander by themselves over a creep record, told from their scatter.

The scatter about the fitted curve holds two things. Noise that every reading has for itself counts
alike in any two of them. A meter's 1/f drift does not: neighbours share most of it, the curve
follows its slow part, and two readings half an hour apart differ by more than the scatter about the
curve shows. Where the sources say what each reading scatters for itself, what the residuals show
beyond it is taken for such drift, and carried to differences by its own law.

Readings that are means over T s of a process with the spectral density h / f differ, t s apart, by
the variance 2 h (ln(t / T) + 3/2): the logarithmic autocorrelation, averaged over both windows.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from acq.analysis.creep_fit import CreepFit
from acq.analysis.propagation import Contribution, Floats, Readings, Source

SCATTER = "scatter about the creep curve"
DRIFT = "slow drift of the readings, from their scatter about the creep curve"
# one output is a group of readings over about a second; only the logarithm of it counts
_WINDOW_S = 1.0


@dataclass(frozen=True, slots=True)
class Residuals:
    """What is left of the loaded readings about their curve, or about their mean without one.

    `left` (readings, readings) makes residuals of errors: the part that no curve of this kind takes
    up (JCGM 100:2008, H.3 does it for a line). `outputs` are in the unit of the readings.
    """

    outputs: Floats
    left: Floats
    degrees_of_freedom: int

    @property
    def deviation(self) -> float:
        """Return the standard deviation of one reading, all of its scatter taken for its own."""
        return math.sqrt(float(self.outputs @ self.outputs) / self.degrees_of_freedom)


def residuals_about(
    fit: CreepFit | None, seconds: Sequence[float], outputs: Sequence[float]
) -> Residuals:
    """Return residuals of a fit to these readings; of the constant that None stands for."""
    t, y = np.asarray(seconds, dtype=np.float64), np.asarray(outputs, dtype=np.float64)
    if fit is None:
        slopes, fitted = np.ones((len(t), 1)), np.full(len(t), y.mean())
    else:
        slopes, fitted = fit.slopes(t), np.array([fit.at(each) for each in seconds])
    left = np.eye(len(t)) - slopes @ np.linalg.pinv(slopes)
    return Residuals(y - fitted, left, len(t) - slopes.shape[1])


@dataclass(frozen=True, slots=True)
class SlowDrift:
    """1/f drift of the readings as a source: `density` is h in the unit of the outputs squared."""

    density: float
    degrees_of_freedom: float
    covariance: Floats  # of all readings for h = 1; only for sums of weights that are zero

    within_runs = False

    def contribution(
        self,
        gradient: Floats,
        readings: Readings,  # noqa: ARG002  (the covariance is of these readings already)
    ) -> Contribution:
        variance = self.density * float(gradient @ self.covariance @ gradient)
        return Contribution(DRIFT, math.sqrt(max(0.0, variance)), self.degrees_of_freedom)


def slow_drift(
    residuals: Residuals,
    seconds: Sequence[float],
    loaded: slice,
    readings: Readings,
    sources: Iterable[Source],
) -> SlowDrift | None:
    """Return the drift that residuals show beyond what all sources explain; None for none.

    `seconds` are the times of all readings, `loaded` says which of them the curve is fitted to.
    """
    explained, stated = 0.0, tuple(sources)
    for row in residuals.left:
        gradient = np.zeros(len(seconds))
        gradient[loaded] = row
        explained += sum(
            s.contribution(gradient, readings).standard_uncertainty ** 2 for s in stated
        )
    seen = float(residuals.outputs @ residuals.outputs)
    if seen <= explained:
        return None
    covariance = _covariance(np.asarray(seconds, dtype=np.float64))
    left = residuals.left
    shown = float(np.trace(left @ covariance[loaded, loaded] @ left))
    # what is explained is taken as known: the difference is as uncertain as all that was seen
    freedom = residuals.degrees_of_freedom * ((seen - explained) / seen) ** 2
    return SlowDrift((seen - explained) / shown, freedom, covariance)


def _covariance(seconds: Floats) -> Floats:
    apart = np.abs(seconds[:, None] - seconds[None, :])
    differ = 2.0 * (np.log(np.maximum(apart, _WINDOW_S) / _WINDOW_S) + 1.5)
    np.fill_diagonal(differ, 0.0)
    return np.asarray(-0.5 * differ, dtype=np.float64)
