"""What a slow change may look like: one column per cause and time constant.

A column is the change of a reading per unit of its cause, at the times of the readings. Ranges of
time constants: body of a cell 2 min to 2 h, self-heating 1.5 to 20 min, creep 15 s to 1 h, moisture
hours to days (trade knowledge, from memory; what decides is which column fits).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum

import numpy as np

from acq.analysis.drift_events import Array, Jump

MINUTE, HOUR = 60.0, 3600.0
BODY = tuple(m * MINUTE for m in (0, 2, 4, 7, 10, 14, 20, 28, 40, 56, 80, 120))
WARMING = tuple(m * MINUTE for m in (1.5, 2, 2.8, 4, 5.6, 8, 11, 15, 20))
CREEPING = tuple(m * MINUTE for m in (0.25, 0.5, 1, 2, 4, 8, 15, 33, 60))
SOAKING = tuple(h * HOUR for h in (2, 4, 8, 16, 48))
DAMP = tuple(h * HOUR for h in (0.5, 1, 2, 4, 8, 16))
CREEP_SHAPE = ((0.4, 2 * MINUTE), (0.6, 33 * MINUTE))  # two terms: a published mean of 30/60 min
LEAST_OF_IT = 0.2  # of a change that runs out: as much must lie inside the record
MOST_CREEP = 0.03  # of the load step; more is no creep


class Cause(Enum):
    """Why a reading moves."""

    CREEP = "creep"
    WARM_UP = "warm-up"
    TEMPERATURE = "temperature"
    MOISTURE = "moisture"
    STEPS = "steps"
    SPIKES = "spikes"
    NOISE = "noise"
    FROZEN = "frozen"


@dataclass(frozen=True, slots=True)
class Column:
    """One possible share of the change. `tau_s` 0: without delay; `at_s` where it begins."""

    cause: Cause
    form: str
    tau_s: float
    at_s: float
    values: Array

    @property
    def family(self) -> tuple[str, float]:
        """Columns of one family replace each other; only the best is kept."""
        return self.form, self.at_s


def lagged(times: Array, values: Array, tau_s: float) -> Array:
    """A first-order lag of a record, exact for the straight line between its points.

    It starts in balance: what was before the record is not known.
    """
    return np.asarray(lags(times, values, (tau_s,))[0])


def lags(times: Array, values: Array, taus_s: tuple[float, ...]) -> Array:
    """As `lagged`, for several time constants at once: (time constants, times)."""
    taus = np.maximum(np.array(taus_s), 1e-9)
    steps = np.diff(times)[:, None] / taus
    decay = np.exp(-steps)
    # a ramp of the input: output = input - slope tau (1 - decay) - (input - output) decay
    behind = np.diff(values)[:, None] / steps * (1.0 - decay)
    rest = np.zeros((len(values), len(taus)))
    for k in range(len(steps)):
        rest[k + 1] = rest[k] * decay[k] + behind[k]
    return np.asarray(values - rest.T)


def temperature_columns(times: Array, temperature: Array) -> Iterator[Column]:
    """Zero that follows the body's temperature, and the difference across the body."""
    for tau, body in zip(BODY, lags(times, temperature, BODY), strict=True):
        yield Column(Cause.TEMPERATURE, "body", tau, 0.0, body)
        if tau > 0.0:
            yield Column(Cause.TEMPERATURE, "across the body", tau, 0.0, temperature - body)


def warm_up_columns(times: Array, excited_s: float | None) -> Iterator[Column]:
    """Self-heating that runs out after the excitation came on; None: at the record's start.

    Where it is over before the record begins there is no column: a tail could be anything.
    """
    start = float(times[0]) if excited_s is None else excited_s
    since = np.maximum(times - start, 0.0)
    for tau in WARMING:
        values = -np.expm1(-since / tau)
        if float(np.ptp(values)) > LEAST_OF_IT:
            yield Column(Cause.WARM_UP, "warm-up", tau, start, values)


def creep_columns(times: Array, loaded_s: float) -> Iterator[Column]:
    """Creep after a change of load: a fast part and a slow one, or the usual shape of both."""
    since = np.maximum(times - loaded_s, 0.0)
    for tau in CREEPING:
        form = "fast creep" if tau < 5 * MINUTE else "creep"
        values = -np.expm1(-since / tau)
        if float(np.ptp(values)) > LEAST_OF_IT:
            yield Column(Cause.CREEP, form, tau, loaded_s, values)
    both = sum(part * -np.expm1(-since / tau) for part, tau in CREEP_SHAPE)
    yield Column(Cause.CREEP, "creep", CREEP_SHAPE[1][1], loaded_s, np.asarray(both))


def moisture_columns(times: Array, humidity: Array | None) -> Iterator[Column]:
    """Leakage that grows with the water inside: slow, and steeper than the water itself."""
    since = times - times[0]
    whole = max(float(since[-1]), 1.0)
    for tau in SOAKING:
        yield Column(Cause.MOISTURE, "slow", tau, 0.0, -np.expm1(-since / tau))
    for power in (2, 3):
        yield Column(Cause.MOISTURE, "slow", np.inf, 0.0, (since / whole) ** power)
    if humidity is not None and float(np.ptp(humidity)) > 0.0:
        for tau, water in zip(DAMP, lags(times, humidity / 100.0, DAMP), strict=True):
            yield Column(Cause.MOISTURE, "humidity", tau, 0.0, water)
            yield Column(Cause.MOISTURE, "humidity", tau, 0.0, water**3)


def step_columns(times: Array, found: tuple[Jump, ...]) -> Iterator[Column]:
    """Level after each step."""
    places = np.arange(len(times))
    for jump in found:
        at = float(times[jump.index])
        yield Column(Cause.STEPS, "step", 0.0, at, (places >= jump.index).astype(float))
