"""What outputs of one load test scatter: the meter's noise, and the swing that a load still has.

A weight that was just hung swings for a while, and a few readings over part of its swing are not
independent: their mean may be off by more, or by much less, than their scatter over the root of
their number. So the two are told apart. Noise is what outputs at rest show, pooled over the test
(GUM 4.2.4); swing is what the others show beyond it, in proportion to the change of load. What a
mean keeps of a swing follows from when its readings were taken, averaged over the frequencies
and phases that a hung load may have.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from acq.readings.reading import Reading

_FREQUENCIES = 41
_NS = 1e9
_ENOUGH = 10.0  # degrees of freedom


class Several(Protocol):
    """An output: its signal readings, and the change of load that they followed at once."""

    @property
    def signals(self) -> Sequence[Reading]: ...

    @property
    def step(self) -> float: ...


@dataclass(frozen=True, slots=True)
class Scatter:
    """`noise` is (standard deviation of one reading in V, degrees of freedom), None where no
    output was read more than once; `swing` likewise in V per unit of load change, as readings
    show it among themselves."""

    noise: tuple[float, float] | None = None
    swing: tuple[float, float] | None = None
    hertz: tuple[float, float] = (0.5, 1.0)

    def swing_left(self, output: Several) -> tuple[float, float] | None:
        """Return what the mean of an output may keep of a swing: standard V, dof; None for none."""
        if self.swing is None or not output.step:
            return None
        share, freedom = self.swing
        return share * abs(output.step) * kept_of_a_swing(output.signals, self.hertz), freedom


def scatter_of(
    taken: Sequence[Several], hertz: tuple[float, float], stated_volts: float = 0.0
) -> Scatter:
    """Return noise and swing of a test from all of its outputs.

    `stated_volts` is the meter's noise by its manual: it counts where a short test has seen so
    few readings at rest that their scatter tells little, and nothing against the manual.
    """
    several = [each for each in taken if len(each.signals) > 1]
    still = [each for each in several if not each.step]
    moved = [each for each in several if each.step]
    noise = _or_stated(_noise(still), stated_volts)
    if not moved:
        return Scatter(noise, None, hertz)
    squares = sum(_squares(each) for each in moved)
    freedom = sum(len(each.signals) - 1 for each in moved)
    weight = sum((len(each.signals) - 1) * each.step**2 for each in moved)
    own = 0.0 if noise is None else noise[0] ** 2
    swing = math.sqrt(max(0.0, squares - freedom * own) / weight)
    return Scatter(noise, (swing, float(freedom)) if swing else None, hertz)


def _noise(still: Sequence[Several]) -> tuple[float, float] | None:
    freedom = sum(len(each.signals) - 1 for each in still)
    squares = sum(_squares(each) for each in still)
    return (math.sqrt(squares / freedom), float(freedom)) if freedom and squares else None


def _or_stated(seen: tuple[float, float] | None, stated: float) -> tuple[float, float] | None:
    if seen is None or not stated or seen[1] >= _ENOUGH:
        return seen
    from scipy.special import chdtri

    contradicts = seen[0] ** 2 * seen[1] > stated**2 * float(chdtri(seen[1], 0.05))
    return seen if contradicts else (stated, math.inf)


def _squares(output: Several) -> float:
    values = [reading.value for reading in output.signals if reading.value is not None]
    middle = sum(values) / len(values)
    return sum((value - middle) ** 2 for value in values)


def kept_of_a_swing(signals: Sequence[Reading], hertz: tuple[float, float]) -> float:
    """Return what the mean of readings keeps of a sine, in units of the readings' own deviation.

    Root mean square over all phases and over the band `hertz`, in which every frequency counts
    alike. 1 / sqrt(n) would be right for readings that know nothing of one another.
    """
    middles = np.array([(r.started_ns + r.ended_ns) / 2.0 / _NS for r in signals])
    spans = np.array([(r.ended_ns - r.started_ns) / _NS for r in signals])
    count = len(middles)
    frequencies = np.linspace(hertz[0], hertz[1], _FREQUENCIES)[:, None]
    integrated = np.sinc(frequencies * spans)
    turned = integrated * np.exp(2j * math.pi * frequencies * (middles - middles[0]))
    mean = np.abs(turned.mean(axis=1)) ** 2
    among = count / (count - 1) * ((integrated**2).mean(axis=1) - mean)
    return math.sqrt(float(mean.mean() / among.mean()))
