"""What loads the cell: weights that swing when they are hung, a jack that creeps back.

A rig gives the force as two drives from now on: the path, which the cell's hysteresis and creep
follow, and the swing around it, which only the reading sees.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from simulated_bench.states import REST, Drive, Term

STANDARD_GRAVITY = 9.80665
CONVENTIONAL_DENSITY = 8000.0
CONVENTIONAL_AIR = 1.2
"""kg/m3 by the definition of conventional mass (OIML D 28)."""


def weight_newtons(
    kilograms: float, gravity: float = STANDARD_GRAVITY, air_density: float = CONVENTIONAL_AIR
) -> float:
    """Return the force of weights of this conventional mass in N: m g (1 - air / 8000)."""
    return kilograms * gravity * (1 - air_density / CONVENTIONAL_DENSITY)


def held_back(before: float, after: float, friction: float) -> float:
    """Return the force that friction (a share of it) leaves: it acts against the motion."""
    step = after - before
    return after - math.copysign(friction * abs(after), step) if step else after


@dataclass(frozen=True, slots=True)
class DeadWeights:
    """Weights put on or taken off: the load goes over in a second or so and swings on.

    Swing and bounce are parts of the load step; pendulums of 0.5 to 1 Hz decay in 10 to 60 s,
    the frame's own 5 to 50 Hz faster. Common practice, no source. `friction` of a lever's knife
    edges makes the force smaller than the set one when it rises and larger when it falls.
    """

    placing_tau_s: float = 0.4
    swing: float = 5e-4
    swing_hertz: float = 0.8
    swing_tau_s: float = 12.0
    bounce: float = 0.01
    bounce_hertz: float = 11.0
    bounce_tau_s: float = 0.4
    friction: float = 0.0

    def path(self, before: float, after: float) -> Drive:
        """Return the force from the moment of the change on."""
        reached = held_back(before, after, self.friction)
        return Drive(reached, terms=((before - reached, -1 / self.placing_tau_s),))

    def swinging(self, before: float, after: float) -> Drive:
        """Return the swing around the path."""
        step = abs(after - before)
        terms: list[Term] = []
        for size, hertz, tau in (
            (self.swing, self.swing_hertz, self.swing_tau_s),
            (self.bounce, self.bounce_hertz, self.bounce_tau_s),
        ):
            # A sine: the swing starts at nothing and adds no jump.
            terms.append((-1j * size * step, complex(-1 / tau, 2 * math.pi * hertz)))
        return Drive(terms=tuple(terms))


@dataclass(frozen=True, slots=True)
class Hydraulic:
    """A jack: approaches with some overshoot, leaks down, and its pump ripples.

    `overshoot` is part of the step; `friction` makes the force smaller than the set one when
    it rises and larger when it falls.
    """

    approach_tau_s: float = 3.0
    overshoot: float = 0.01
    overshoot_tau_s: float = 8.0
    leak_per_minute: float = 2e-4
    ripple: float = 5e-4
    ripple_hertz: float = 3.3
    friction: float = 0.0

    def path(self, before: float, after: float) -> Drive:
        """Return the force from the moment of the change on."""
        step = after - before
        reached = held_back(before, after, self.friction)
        quick, slow = -1 / self.approach_tau_s, -1 / self.overshoot_tau_s
        # a jack that lets go of the cell stands off it: it does not pull
        over = step * _slow_share(self.overshoot, quick, slow) if after else 0.0
        leak = -self.leak_per_minute / 60.0
        terms: list[Term] = [(before - reached - over, quick), (over, slow)]
        if leak and reached:
            return Drive(0.0, terms=(*terms, (reached, leak)))
        return Drive(reached, terms=tuple(terms))

    def swinging(self, before: float, after: float) -> Drive:
        """Return the pump's ripple; an unloaded jack has none."""
        del before
        return Drive(terms=((self.ripple * after, 2j * math.pi * self.ripple_hertz),))


def _slow_share(overshoot: float, quick: float, slow: float) -> float:
    """Return k for which 1 - (1 + k) e^(quick t) + k e^(slow t) peaks at 1 + overshoot."""
    ratio = quick / slow
    low, high = 0.0, 1e3
    for _ in range(80):
        k = (low + high) / 2
        # At the peak both exponentials are known from each other.
        peak = (1 + k) * (ratio - 1) * ((1 + k) * ratio / k) ** (quick / (slow - quick))
        low, high = (k, high) if peak < overshoot else (low, k)
    return low if overshoot else 0.0


class Rig:
    """The force on the cell in N, positive in the direction of the cell's positive output."""

    def __init__(self, kind: DeadWeights | Hydraulic | None = None, newtons: float = 0.0) -> None:
        self.kind = kind or DeadWeights()
        self.load = Drive(newtons)
        self.swing = REST
        self.aimed = newtons

    def apply(self, newtons: float) -> None:
        """Go to another force from now on."""
        before = self.load.at(0.0)
        self.load = self.kind.path(before, newtons)
        self.swing = self.kind.swinging(before, newtons)
        self.aimed = newtons

    def advance(self, seconds: float) -> None:
        """Let time pass."""
        self.load = _without_dead_terms(self.load.shifted(seconds), abs(self.aimed))
        self.swing = _without_dead_terms(self.swing.shifted(seconds), abs(self.aimed))


def _without_dead_terms(drive: Drive, size: float) -> Drive:
    """Drop what has died away (below 1e-15 of the load), so that a long run stays quick."""
    alive = tuple(term for term in drive.terms if abs(term[0]) > 1e-15 * max(size, 1e-3))
    return Drive(drive.base, drive.slope, alive)
