"""Noise and swing of outputs told apart, against sines and normal noise drawn here.

Expected values: a sine averaged over whole periods is zero; otherwise Monte Carlo with drawn
phases and frequencies (JCGM 101:2008, 5.9: what is propagated is what is drawn).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest

from acq.readings.reading import Reading
from sequences.scatter import kept_of_a_swing, scatter_of

BAND = (0.5, 1.0)


@dataclass(frozen=True)
class Output:
    signals: tuple[Reading, ...]
    step: float = 0.0


def reading(middle_s: float, volts: float, span_s: float = 0.2) -> Reading:
    return Reading(
        quantity="dc-voltage",
        value=volts,
        limit=None,
        unit="V",
        instrument="dmm",
        range_=0.1,
        plc=10.0,
        started_ns=round((middle_s - span_s / 2) * 1e9),
        ended_ns=round((middle_s + span_s / 2) * 1e9),
        raw=f"{volts:.9E}",
    )


def swinging(
    rng: np.random.Generator, *, count: int, apart_s: float, volts: float, noise: float = 0.0
) -> tuple[Reading, ...]:
    """Readings over one swing of drawn frequency and phase, integrated over 0.2 s each."""
    hertz, phase = rng.uniform(*BAND), rng.uniform(0.0, 2.0 * math.pi)
    shown = volts * float(np.sinc(hertz * 0.2))
    times = [apart_s * place for place in range(count)]
    return tuple(
        reading(t, shown * math.sin(2 * math.pi * hertz * t + phase) + noise * rng.normal())
        for t in times
    )


def values(signals: tuple[Reading, ...]) -> list[float]:
    return [each.value for each in signals if each.value is not None]


@pytest.mark.parametrize(("count", "apart_s"), [(3, 0.25), (5, 0.25), (10, 0.3)])
def test_the_mean_keeps_of_a_swing_what_drawn_swings_keep(count: int, apart_s: float) -> None:
    rng = np.random.default_rng(1)
    drawn = [values(swinging(rng, count=count, apart_s=apart_s, volts=1.0)) for _ in range(20000)]
    means = np.mean(np.square(np.mean(drawn, axis=1)))
    among = np.mean(np.var(drawn, axis=1, ddof=1))
    signals = tuple(reading(apart_s * place, 0.0) for place in range(count))
    expected = math.sqrt(means / among)
    assert kept_of_a_swing(signals, BAND) == pytest.approx(expected, rel=0.03)


def test_a_mean_over_a_whole_period_keeps_nothing() -> None:
    signals = tuple(reading(0.25 * place, 0.0) for place in range(5))
    assert kept_of_a_swing(signals, (0.8, 0.8)) == pytest.approx(0.0, abs=1e-9)


def test_noise_comes_from_rest_and_swing_grows_with_the_step() -> None:
    rng = np.random.default_rng(2)
    outputs = [
        Output(swinging(rng, count=5, apart_s=0.25, volts=0.0, noise=1e-7)) for _ in range(400)
    ]
    for step in (50.0, 200.0):
        outputs += [
            Output(swinging(rng, count=5, apart_s=0.25, volts=2e-8 * step, noise=1e-7), step=-step)
            for _ in range(400)
        ]
    scatter = scatter_of(outputs, BAND)
    assert scatter.noise is not None
    assert scatter.noise[0] == pytest.approx(1e-7, rel=0.05)
    assert scatter.noise[1] == 1600.0
    left = scatter.swing_left(outputs[-1])
    assert left is not None
    moved = [np.mean(values(each.signals)) for each in outputs if each.step == -200.0]
    noise = 1e-7 / math.sqrt(5.0)
    assert math.hypot(left[0], noise) == pytest.approx(float(np.std(moved)), rel=0.1)
    assert scatter.swing_left(outputs[0]) is None


def test_without_a_swing_nothing_is_added_and_without_rest_nothing_is_guessed() -> None:
    rng = np.random.default_rng(3)
    still = Output(swinging(rng, count=5, apart_s=0.25, volts=0.0, noise=1e-7))
    quiet = Output(tuple(reading(0.25 * place, 1e-3) for place in range(5)), step=100.0)
    assert scatter_of([still, quiet], BAND).swing is None
    assert scatter_of([quiet], BAND).noise is None
    single = Output((reading(0.0, 1e-3),), step=100.0)
    assert scatter_of([single], BAND).noise is None


def test_a_short_test_trusts_the_manual_until_its_readings_contradict_it() -> None:
    def still(*microvolts: float) -> list[Output]:
        return [Output(tuple(reading(0.25 * n, 1e-6 * each) for n, each in enumerate(microvolts)))]

    # standard deviation 0.1 uV with 2 degrees of freedom; the manual says 0.08 uV
    assert scatter_of(still(0.0, 0.1, 0.2), BAND, 0.08e-6).noise == (0.08e-6, math.inf)
    # 0.2 uV: chi-square 2 x (0.2 / 0.08)^2 = 12.5 is beyond the 5.99 of table values for 95 %
    seen = scatter_of(still(0.0, 0.2, 0.4), BAND, 0.08e-6).noise
    assert seen is not None
    assert seen[0] == pytest.approx(0.2e-6)
    assert seen[1] == 2.0
    many = scatter_of(still(*([0.0, 0.02] * 8)), BAND, 0.08e-6).noise
    assert many is not None
    assert many[0] == pytest.approx(0.0103e-6, rel=0.01)
    assert many[1] == 15.0
