"""Time constants of a creep curve: one or two exponentials, as many as the readings bear.

The model is output = final - sum B_k exp(-t / tau_k), t from the initial reading, so that B_k is
what was still to come of term k at that moment. Only the time constants are searched for; for
given ones the rest is a linear least-squares fit.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from acq.analysis.propagation import Contribution, Floats, Result, coverage_factor, summed

SIGNIFICANCE = 0.05
MOST_TERMS = 2
LEAST_READINGS = 6  # for one term and some freedom
GRID = 12  # trial time constants between the shortest and the longest that can show
REFINED = 2  # how many of the best trials are searched from


_VAGUE = 0.5  # of itself


@dataclass(frozen=True, slots=True)
class CreepTerm:
    """One exponential: its time constant in s, and what it still adds after the first reading."""

    time_constant: Result  # s
    amplitude: Result  # in the unit of the outputs

    @property
    def vague(self) -> bool:
        """Whether the record hardly tells the time constant: a number would only mislead."""
        constant = self.time_constant
        return (constant.expanded or 0.0) > _VAGUE * constant.value


@dataclass(frozen=True, slots=True)
class CreepFit:
    """The fitted curve. `residual_deviation` is the noise of one reading, in output units."""

    terms: tuple[CreepTerm, ...]
    final: float
    residual_deviation: float
    degrees_of_freedom: int

    def at(self, seconds: float) -> float:
        """Return the fitted output `seconds` after the initial reading."""
        return self.final - sum(
            term.amplitude.value * math.exp(-seconds / term.time_constant.value)
            for term in self.terms
        )

    def slopes(self, seconds: Floats) -> Floats:
        """Return the derivatives of the curve at `seconds` by (final, log tau_1, B_1, ...)."""
        constants = [(term.time_constant.value, term.amplitude.value) for term in self.terms]
        return _slopes(seconds, constants)


@dataclass(frozen=True, slots=True)
class _Trial:
    log_times: Floats
    linear: Floats
    residuals: Floats

    @property
    def sum_of_squares(self) -> float:
        return float(self.residuals @ self.residuals)

    @property
    def degrees_of_freedom(self) -> int:
        return len(self.residuals) - len(self.linear) - len(self.log_times)


def fit_creep(seconds: Sequence[float], outputs: Sequence[float]) -> CreepFit | None:
    """Return the fit; None when no exponential stands out of the scatter (F test, 5 %).

    A second term is taken only where it lowers the sum of squares significantly.
    """
    t = np.asarray(seconds, dtype=np.float64)
    y = np.asarray(outputs, dtype=np.float64)
    if len(t) < LEAST_READINGS or t[-1] <= 0 or float(np.ptp(y)) == 0.0:
        return None
    offset, scale = float(y.mean()), float(np.ptp(y))
    mapped = (y - offset) / scale
    best = _constant(mapped)
    for terms in range(1, MOST_TERMS + 1):
        trial = _search(t, mapped, terms)
        if trial is None or not _better(best, trial):
            break
        best = trial
    return _finished(best, t, offset, scale) if len(best.log_times) else None


def _constant(y: Floats) -> _Trial:
    return _Trial(np.zeros(0), np.array([y.mean()]), y - y.mean())


def _search(t: Floats, y: Floats, terms: int) -> _Trial | None:
    from scipy.optimize import least_squares

    if len(t) < 2 * terms + 3:
        return None
    steps = np.diff(t)
    low, high = math.log(0.5 * float(steps[steps > 0].min())), math.log(3.0 * float(t[-1]))
    grid = itertools.combinations(np.linspace(low, high, GRID + 2)[1:-1], terms)
    starts = sorted(grid, key=lambda logs: _misfit(t, y, np.array(logs)))[:REFINED]
    found = [
        least_squares(
            lambda logs: _solve(t, y, logs)[1], start, bounds=(low - 1.0, high + 1.0), xtol=1e-12
        )
        for start in starts
    ]
    logs = np.sort(min(found, key=lambda fit: fit.cost).x)
    return _Trial(logs, *_solve(t, y, logs))


def _solve(t: Floats, y: Floats, log_times: Floats) -> tuple[Floats, Floats]:
    basis = _basis(t, log_times)
    linear = np.linalg.lstsq(basis, y, rcond=None)[0]
    return np.asarray(linear, dtype=np.float64), y - basis @ linear


def _misfit(t: Floats, y: Floats, log_times: Floats) -> float:
    residuals = _solve(t, y, log_times)[1]
    return float(residuals @ residuals)


def _basis(t: Floats, log_times: Floats) -> Floats:
    falling = np.exp(-t[:, None] / np.exp(log_times)[None, :])
    return np.hstack([np.ones((len(t), 1)), -falling])


def _better(before: _Trial, after: _Trial) -> bool:
    from scipy.special import fdtri

    if after.degrees_of_freedom < 1:
        return False
    more = before.degrees_of_freedom - after.degrees_of_freedom
    critical = float(fdtri(more, after.degrees_of_freedom, 1.0 - SIGNIFICANCE))
    gained = (before.sum_of_squares - after.sum_of_squares) / more
    return gained > critical * after.sum_of_squares / after.degrees_of_freedom


def _finished(trial: _Trial, t: Floats, offset: float, scale: float) -> CreepFit:
    deviation = math.sqrt(trial.sum_of_squares / trial.degrees_of_freedom)
    spread = _parameter_deviations(trial, t, deviation)
    terms = tuple(
        CreepTerm(
            _parameter(
                "time constant", math.exp(log), _of_log(log, spread[1 + 2 * k], trial), trial
            ),
            _parameter("amplitude", scale * linear, scale * spread[2 + 2 * k], trial),
        )
        for k, (log, linear) in enumerate(zip(trial.log_times, trial.linear[1:], strict=True))
    )
    final = offset + scale * float(trial.linear[0])
    return CreepFit(terms, final, scale * deviation, trial.degrees_of_freedom)


def _of_log(log: float, deviation: float, trial: _Trial) -> float:
    """Return the standard uncertainty of a time constant from that of its logarithm.

    Time constants are fitted on a logarithmic scale, where their scatter is even. On their own
    scale the upper side is the wider one, and that one is stated.
    """
    factor = coverage_factor(trial.degrees_of_freedom)
    # beyond a factor of e^5 nothing is determined, and nothing may overflow
    return math.exp(log) * math.expm1(min(factor * deviation, 5.0)) / factor


def _parameter_deviations(trial: _Trial, t: Floats, deviation: float) -> Floats:
    """Return standard deviations of (final, log tau_1, B_1, log tau_2, B_2)."""
    pairs = zip(np.exp(trial.log_times), trial.linear[1:], strict=True)
    jacobian = _slopes(t, [(float(tau), float(amplitude)) for tau, amplitude in pairs])
    inverse = np.linalg.pinv(jacobian.T @ jacobian)
    return np.asarray(deviation * np.sqrt(np.abs(np.diag(inverse))), dtype=np.float64)


def _slopes(t: Floats, constants: Sequence[tuple[float, float]]) -> Floats:
    columns = [np.ones(len(t))]
    for tau, amplitude in constants:
        falling = np.exp(-t / tau)
        columns += [-amplitude * falling * t / tau, -falling]
    return np.column_stack(columns)


def _parameter(name: str, value: float, standard: float, trial: _Trial) -> Result:
    part = Contribution("scatter about the creep curve", standard, trial.degrees_of_freedom)
    unit = "s" if name == "time constant" else "V/V"
    return Result(name, value, unit, summed([part]))
