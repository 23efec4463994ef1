"""Capacitors as state EMFs of the resistive circuit, advanced by any time exactly.

A capacitor is an element whose EMF is its charge voltage e. While the sources keep their modes
the circuit is linear, C de/dt = i(e) = C (A e + b), and

    e(t) = e + t phi1(A t) (A e + b),       mean over t = e + t phi2(A t) (A e + b)

from one eigen-decomposition of A. A source that changes its mode on the way (a supply that
leaves its current limit) ends the step there: the instant is found on the exact solution.
Non-linear leaks count as their tangents at the start of a step.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulated_bench.circuit import Circuit, Point
from simulated_bench.regulation import Floats, Mode
from simulated_bench.topology import Solution, Topology, solve

SAMPLES: Floats = np.geomspace(1e-9, 1.0, 91)
"""Where on a step the modes are looked at, as parts of its length."""


INVERSE_FACTORIALS = [1.0 / math.factorial(n) for n in range(15, 1, -1)]


class Capacitor:
    """The element that holds the charge, its farads and what it holds now, in V."""

    __slots__ = ("element", "farads", "volts")

    def __init__(self, element: str, farads: float, volts: float = 0.0) -> None:
        self.element = element
        self.farads = farads
        self.volts = volts


@dataclass(frozen=True, slots=True)
class Span:
    """A span of time in which the sources kept their modes.

    Charges at its end and on average, in V; `rates` is how fast they go on from its end, in V/s.
    """

    seconds: float
    modes: tuple[int, ...]
    after: Floats
    mean: Floats
    rates: Floats


class Charging:
    """How the charges of a circuit move; what it has worked out is kept by mode.

    Make a new one when the circuit changes otherwise than by slow drift. The equilibrium always
    follows the circuit's present values; only the speed of the way there is kept.
    """

    def __init__(self, circuit: Circuit, capacitors: Sequence[Capacitor]) -> None:
        self.circuit = circuit
        self.at = [circuit.branches[c.element] for c in capacitors]
        self.series_ohms: Floats = circuit.values()[0][self.at]
        self.farads: Floats = np.array([c.farads for c in capacitors])
        self._motions: dict[tuple[int, ...], tuple[NDArray[np.complex128], ...]] = {}
        self._margins: dict[tuple[int, ...], tuple[Floats, Floats]] = {}
        self._shifts: dict[tuple[int, ...], tuple[Topology, Solution]] = {}

    def span(self, start: Point, volts: Floats, seconds: float) -> Span:
        """Return how the charges go on from `start`, which was solved with them in place.

        The span ends early where a source changes its mode.
        """
        modes = tuple(start.solution.modes.tolist())
        return self.onward(modes, volts, start.solution.amps[self.at] / self.farads, seconds)

    def onward(self, modes: tuple[int, ...], volts: Floats, rates: Floats, seconds: float) -> Span:
        """Return how charges that move at these rates go on."""
        after, mean = self._moved(modes, rates, np.array([seconds]))
        if modes and not self._keeps(volts, np.abs(after[0]), modes):
            length = self._until_change(volts, rates, modes, seconds)
            if length < seconds:
                seconds = length
                after, mean = self._moved(modes, rates, np.array([seconds]))
        lam, vectors, inverse = self._motion(modes)
        slowed = np.real(vectors @ (np.exp(lam * seconds) * (inverse @ rates)))
        return Span(seconds, modes, volts + after[0], volts + mean[0], slowed)

    def shifted(self, start: Point, moves: Floats) -> Point | None:
        """Return `start` with its charges moved a little, by what each volt of them changes.

        None where that is not known: the circuit has another tree by now.
        """
        modes = tuple(start.solution.modes.tolist())
        tree, per_volt = self._shifts.get(modes, (None, None))
        if tree is not start.topology or per_volt is None:
            return None
        was = start.solution
        solution = Solution(
            was.tree_volts + moves @ per_volt.tree_volts,
            was.amps + moves @ per_volt.amps,
            was.source_emf + moves @ per_volt.source_emf,
            was.modes,
        )
        return Point(self.circuit, start.topology, solution)

    def _keeps(self, volts: Floats, moves: Floats, modes: tuple[int, ...]) -> bool:
        """Whether so small a move cannot use up any source's margin: no closer look needed."""
        base, slope = self._margin(modes)
        count = base.size
        effect = moves @ np.abs(slope).reshape(-1, count)
        margin = np.abs(base.reshape(count) + volts @ slope.reshape(-1, count))
        return bool(np.all((margin > 10 * effect) | (effect < 1e-12)))

    def _moved(
        self, modes: tuple[int, ...], rates: Floats, seconds: Floats
    ) -> tuple[Floats, Floats]:
        """How far the charges are after each time, and on average up to it."""
        lam, vectors, inverse = self._motion(modes)
        z = np.multiply.outer(seconds, lam)
        first = _phi1(z)
        driven = (inverse @ rates) * seconds[:, None]
        after = np.real((first * driven) @ vectors.T)
        mean = np.real((_phi2(z, first) * driven) @ vectors.T)
        return np.asarray(after), np.asarray(mean)

    def _motion(self, modes: tuple[int, ...]) -> tuple[NDArray[np.complex128], ...]:
        """Eigenvalues and eigenvectors of A; scaled so that a passive circuit is symmetric."""
        if modes not in self._motions:
            amps = self._responses(modes)[0]
            weight = np.sqrt(self.farads)
            matrix = (amps[1:] - amps[0]).T / weight[:, None] / weight
            if not modes or all(m in (Mode.TOP, Mode.BOTTOM) for m in modes):
                lam, vectors = np.linalg.eigh((matrix + matrix.T) / 2)
                inverse = vectors.T
            else:
                lam, vectors = np.linalg.eig(matrix)
                inverse = np.linalg.inv(vectors)
            self._motions[modes] = (
                lam.astype(complex),
                (vectors / weight[:, None]).astype(complex),
                (inverse * weight).astype(complex),
            )
        return self._motions[modes]

    def _responses(self, modes: tuple[int, ...]) -> tuple[Floats, Floats]:
        """Currents into the capacitors and margins of the sources: all at 0 V, then 1 V each."""
        circuit, count = self.circuit, len(self.at)
        ohms, emf, amps = circuit.tangents()
        charges = np.tile(emf, (count + 1, 1))
        charges[:, self.at] = np.vstack([np.zeros(count), np.eye(count)])
        wide = np.broadcast_to(ohms, charges.shape)
        tree = circuit.compile(ohms)
        sources = tuple(circuit.sources.values())
        solution = solve(tree, wide, charges, amps, sources, modes or None)
        point = Point(circuit, tree, solution)
        self._shifts[modes] = tree, _per_volt(solution)
        margins = np.zeros((count + 1, len(sources), 5))
        for k, source in enumerate(sources):
            sensed = np.nan_to_num(point.volts(*source.sense), nan=0.0)
            flow = -solution.amps[:, source.branch]
            settled = solution.source_emf[:, k]
            margins[:, k, 0] = source.volts - sensed
            margins[:, k, 1] = source.amps_max - flow
            margins[:, k, 2] = source.amps_min - flow
            margins[:, k, 3] = settled - source.emf_min
            margins[:, k, 4] = min(source.emf_max, 1e30) - settled
        return solution.amps[:, self.at], margins

    def _holds(self, volts: Floats, modes: tuple[int, ...]) -> NDArray[np.bool_]:
        """Whether every source stays in its mode at charges shaped (times, capacitors)."""
        base, slope = self._margin(modes)
        volt, limit, sink, low, high = np.moveaxis(base + np.tensordot(volts, slope, axes=1), -1, 0)
        kept = np.asarray(modes)
        error, slack = np.maximum(np.minimum(volt, limit), sink), 1e-9
        inside = (low > -slack) & (high > -slack)
        steady = np.select(
            [kept == Mode.CV, kept == Mode.CC, kept == Mode.SINK, kept == Mode.TOP],
            [
                (limit > -slack) & (sink < slack) & inside,
                (volt > -slack) & inside,
                (np.minimum(volt, limit) < slack) & inside,
                error > -slack,
            ],
            error < slack,
        )
        return np.asarray(steady.astype(bool).all(-1))

    def _margin(self, modes: tuple[int, ...]) -> tuple[Floats, Floats]:
        """Margins of the sources, affine in the charges: at 0 V, and per volt of each."""
        if modes not in self._margins:
            margins = self._responses(modes)[1]
            self._margins[modes] = margins[0], margins[1:] - margins[0]
        return self._margins[modes]

    def _until_change(
        self, volts: Floats, rates: Floats, modes: tuple[int, ...], seconds: float
    ) -> float:
        times = seconds * SAMPLES
        steady = self._holds(volts + self._moved(modes, rates, times)[0], modes)
        if steady.all():
            return seconds
        first = int(np.argmin(steady))
        low, high = (float(times[first - 1]) if first else 0.0), float(times[first])
        for _ in range(60):
            middle = (low + high) / 2
            there = volts + self._moved(modes, rates, np.array([middle]))[0]
            if self._holds(there, modes)[0]:
                low = middle
            else:
                high = middle
        return high


def _per_volt(solution: Solution) -> Solution:
    """What one volt in each capacitor changes; the first row is that of no charge."""
    volts, amps, emf = solution.tree_volts, solution.amps, solution.source_emf
    return Solution(volts[1:] - volts[0], amps[1:] - amps[0], emf[1:] - emf[0], solution.modes)


def _phi1(z: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """(e^z - 1) / z."""
    zero = z == 0
    return np.where(zero, 1.0, np.expm1(z) / np.where(zero, 1.0, z))


def _phi2(z: NDArray[np.complex128], first: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """(e^z - 1 - z) / z^2 from phi1 of the same z; a series where the difference cancels."""
    small = np.abs(z) < 0.5
    near = np.where(small, z, 0.0)
    series = np.zeros_like(z)
    for factor in INVERSE_FACTORIALS:
        series = series * near + factor
    return np.where(small, series, (first - 1) / np.where(small, 1.0, z))


def absorption(prompt_farads: float, share: float, count: int = 11) -> list[tuple[float, float]]:
    """Return (ohm, farad) of the branches that make a dielectric's absorption current.

    The current k C U / t of an insulation is a row of RC branches two to a decade, time
    constants from 0.1 s on: C_n = k C ln(10) / 2, tau_n = 0.1 s 10^(n/2). Ripple 0.25 %.
    """
    farads = share * prompt_farads * math.log(10) / 2
    return [(0.1 * 10 ** (n / 2) / farads, farads) for n in range(count)]
