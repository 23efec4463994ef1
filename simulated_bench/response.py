"""How one cell's output answers to force, time and temperature.

All fractions are of rated output; the reference is the temperature of the cell's papers. The
defaults are an ideal cell. Sizes of real cells: common practice, no source; a scenario gives
them with the cell.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from simulated_bench.states import Drive, Modes, Plays, creep_terms

CREEP_SHARES = ((0.4, 120.0), (0.6, 1980.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Response:
    """Rated output in V/V at `capacity_newtons` on the rising branch after preloads.

    `nonlinearity` is the largest deviation of that branch from the end-point line, `hysteresis`
    the falling branch above the rising one at half load, `creep` the part of a step that comes
    within 30 min. `zero` is the unloaded, exercised output in V/V; None keeps that of the arms.
    `shares` of arms below 1 are gauges that have come loose. `own_weight` is a change of zero,
    `off_centre` what a load at each corner of the platform gives more, of the load.
    """

    capacity_newtons: float
    rated_output: float
    zero: float | None = None
    nonlinearity: float = 0.0
    cubic: float = 0.0
    hysteresis: float = 0.0
    creep: float = 0.0
    creep_shares: tuple[tuple[float, float], ...] = CREEP_SHARES
    compression_factor: float = 1.0
    repeatability: float = 0.0
    own_weight: float = 0.0
    off_centre: tuple[float, ...] = ()
    rest_tau_s: float = 4 * 3600.0
    yield_at: float = 1.5
    yield_zero: float = 0.3
    yield_hysteresis: float = 1.0
    zero_per_kelvin: float = 0.0
    span_per_kelvin: float = 0.0
    zero_per_gradient_kelvin: float = 0.0
    span_per_watt: float = 0.0
    reference_watts: float = 0.0
    warm_up_per_watt: float = 0.0
    warm_up_tau_s: float = 400.0
    shares: Mapping[str, float] = field(default_factory=dict)


class Mechanics:
    """The spring and its gauges under load: hysteresis, creep, plastic set, first-load effect."""

    def __init__(self, response: Response) -> None:
        self.response = response
        self.plays = Plays(response.hysteresis)
        rates, gains = creep_terms(response.creep_shares)
        self.creep = Modes(rates, gains)
        self.set_zero = 0.0
        self.most_strained = 0.0
        self.repeats = 0.0

    def become(self, response: Response) -> None:
        """Go on as another cell would: a crack, a loose gauge. What is remembered stays."""
        carried, load = self.plays.carried, self.plays.load
        self.plays = Plays(response.hysteresis * (1 + self._worn(response)))
        self.plays.carried, self.plays.load = carried, load
        if response.creep_shares != self.response.creep_shares:
            rates, gains = creep_terms(response.creep_shares)
            total = self.creep.level()
            self.creep = Modes(rates, gains)
            self.creep.settle(total / sum(gains))
        self.response = response

    def advance(self, seconds: float, load: Drive, swing: Drive) -> None:
        """Go along the path of the force (N) and let time work on creep and memory."""
        share = load.scaled(1 / self.response.capacity_newtons)
        peak = sum(abs(c) for c, _ in swing.terms) / self.response.capacity_newtons
        for turn in share.turning_points(seconds):
            self._strain(turn, peak)
            self.plays.move(turn)
        self.plays.rest(seconds, self.response.rest_tau_s)
        self.creep.step(seconds, share)

    def output(self, seconds: float, load: Drive, swing: Drive) -> float:
        """Return the mean over the next seconds in fractions of rated output, zero apart."""
        response = self.response
        share = load.scaled(1 / response.capacity_newtons)
        u = share.mean(seconds)
        plays = Plays(0.0)
        plays.reach, plays.weight = self.plays.reach, self.plays.weight
        plays.carried = self.plays.carried
        plays.move(u)
        creep = response.creep * self.creep.mean_level(seconds, share)
        out = self._shape(u) + plays.output() + creep + self.repeats * u
        return out + swing.mean(seconds) / response.capacity_newtons + self.set_zero

    def _shape(self, u: float) -> float:
        """The curve without memory; half the hysteresis lies below it on the rising branch."""
        r, size = self.response, abs(u)
        bend = 4 * (r.nonlinearity + r.hysteresis / 2) * size * (1 - size)
        bend += r.cubic * size * (1 - size) * (1 - 2 * size)
        return math.copysign(size + bend, u) * (1.0 if u >= 0 else r.compression_factor)

    def _strain(self, u: float, peak: float) -> None:
        """Beyond the yield point the spring keeps a set and its hysteresis grows."""
        most = max(self.most_strained, abs(u) + peak)
        beyond = max(0.0, most - self.response.yield_at)
        before = max(0.0, self.most_strained - self.response.yield_at)
        if beyond > before:
            self.set_zero += math.copysign(self.response.yield_zero * (beyond - before), u)
            self.most_strained = most
            self.plays.weight = (
                4
                * self.response.hysteresis
                * (1 + self._worn(self.response))
                / len(self.plays.reach)
            )

    def _worn(self, response: Response) -> float:
        return response.yield_hysteresis * max(0.0, self.most_strained - response.yield_at)
