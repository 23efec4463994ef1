"""Uncertainty of a number that was computed from many readings of one series.

Every result of a load series is a weighted sum of readings, or a quotient of such sums. So a
result carries its derivative with respect to each reading (`Tracked`), and each influence says
how far it moves each reading, and which readings move together. First-order propagation
(JCGM 100:2008, 5.1.2 and 5.2.2) then needs one product per influence, and what is common to
all readings cancels by itself: a gain in ratios to the rated output, an offset in net outputs.
The effective degrees of freedom are those of JCGM 100:2008, G.4.1; they are cut, not rounded.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cached_property
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

PROBABILITY = 0.95


@dataclass(frozen=True)
class Readings:
    """The readings of one series as arrays of equal length.

    `outputs` in V/V (or another one unit), `loads` in kg or N, `runs` as run numbers.
    """

    outputs: Floats
    loads: Floats
    runs: Integers

    @property
    def slope(self) -> float:
        """Output per load by least squares over all readings."""
        return _slope(self.loads, self.outputs)

    @cached_property
    def slopes(self) -> Floats:
        """Output per load of each reading's own run; turns an error of load into one of output.

        A run that met one load only goes by the overall slope.
        """
        found = np.full_like(self.outputs, self.slope)
        for run in np.unique(self.runs):
            own = self.runs == run
            if np.ptp(self.loads[own]) > 0:
                found[own] = _slope(self.loads[own], self.outputs[own])
        return found


def _slope(loads: Floats, outputs: Floats) -> float:
    centred = loads - loads.mean()
    square = float(centred @ centred)
    return float(centred @ outputs) / square if square > 0 else 0.0


@dataclass(frozen=True, slots=True)
class Tracked:
    """A number computed from readings, with its derivative by each of them."""

    value: float
    gradient: Floats

    @classmethod
    def weighted(cls, weights: Floats, readings: Readings) -> Tracked:
        """Return the sum of `weights` times outputs."""
        return cls(float(weights @ readings.outputs), weights)

    def __add__(self, other: Tracked | float) -> Tracked:
        if isinstance(other, Tracked):
            return Tracked(self.value + other.value, self.gradient + other.gradient)
        return Tracked(self.value + other, self.gradient)

    def __neg__(self) -> Tracked:
        return Tracked(-self.value, -self.gradient)

    def __sub__(self, other: Tracked | float) -> Tracked:
        return self + (-other)

    def __mul__(self, other: Tracked | float) -> Tracked:
        if isinstance(other, Tracked):
            gradient = self.gradient * other.value + other.gradient * self.value
            return Tracked(self.value * other.value, gradient)
        return Tracked(self.value * other, self.gradient * other)

    def __truediv__(self, other: Tracked | float) -> Tracked:
        if isinstance(other, Tracked):
            quotient = self.value / other.value
            return Tracked(quotient, (self.gradient - quotient * other.gradient) / other.value)
        return Tracked(self.value / other, self.gradient / other)

    def __abs__(self) -> Tracked:
        return -self if self.value < 0 else self


class Shared(StrEnum):
    """Which readings an influence moves together."""

    SERIES = "series"  # one error in all readings: gain, offset, weights of one set
    LEVEL = "level"  # one error per load, the same in every run: linearity of the indicator
    RUN = "run"  # one error per run: excitation set anew, a zero that drifted
    READING = "reading"  # every reading by itself: noise, placing of the load


@dataclass(frozen=True, slots=True)
class Contribution:
    """One line of a budget: its part of the standard uncertainty, in the unit of the result."""

    name: str
    standard_uncertainty: float
    degrees_of_freedom: float


class Source(Protocol):
    """Anything that moves readings: an `Influence`, or components taken from elsewhere."""

    @property
    def within_runs(self) -> bool:
        """Whether it differs from run to run, so that the scatter of the runs contains it."""
        ...

    def contribution(self, gradient: Floats, readings: Readings) -> Contribution:
        """Return what it gives to a result with this gradient."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Influence:
    """One influence quantity, by its standard uncertainty and by what it moves together.

    `standard_uncertainty` is in the unit of the outputs or of the loads, or a fraction of each
    reading or load where `relative` is true. Weights of one set are fully correlated, so they
    are one relative influence on "load" shared by the SERIES.
    """

    name: str
    standard_uncertainty: float
    on: Literal["output", "load"] = "output"
    relative: bool = False
    shared: Shared = Shared.READING
    degrees_of_freedom: float = math.inf

    def __post_init__(self) -> None:
        if not 0 <= self.standard_uncertainty < math.inf:
            raise ValueError(f"{self.name}: a standard uncertainty is a number from 0 up")
        if not self.degrees_of_freedom > 0:
            raise ValueError(f"{self.name}: degrees of freedom are above 0")

    @property
    def within_runs(self) -> bool:
        return self.shared in (Shared.READING, Shared.RUN)

    def contribution(self, gradient: Floats, readings: Readings) -> Contribution:
        moved = gradient * self._error(readings)
        size = math.sqrt(self._variance(moved, readings))
        return Contribution(self.name, size, self.degrees_of_freedom)

    def _variance(self, moved: Floats, readings: Readings) -> float:
        match self.shared:
            case Shared.SERIES:
                return float(moved.sum()) ** 2
            case Shared.READING:
                return float(moved @ moved)
            case Shared.RUN:
                return _grouped(moved, readings.runs)
            case Shared.LEVEL:
                return _grouped(moved, np.unique(readings.loads, return_inverse=True)[1])

    def _error(self, readings: Readings) -> Floats:
        """Return the error of each output when this influence is off by one standard deviation."""
        size = np.full_like(readings.outputs, self.standard_uncertainty)
        if self.on == "load":
            return size * readings.slopes * (readings.loads if self.relative else 1.0)
        return size * (readings.outputs if self.relative else 1.0)


def _grouped(moved: Floats, groups: Integers) -> float:
    _, codes = np.unique(groups, return_inverse=True)
    sums = np.bincount(codes, weights=moved)
    return float(sums @ sums)


@dataclass(frozen=True, slots=True)
class Uncertainty:
    """What is stated beside a value, in its unit; the budget is largest first."""

    standard: float
    degrees_of_freedom: float
    coverage_factor: float
    probability: float
    budget: tuple[Contribution, ...] = field(repr=False)

    @property
    def expanded(self) -> float:
        return self.coverage_factor * self.standard


def run_scatter(tracked: Tracked, readings: Readings) -> tuple[Contribution, ...]:
    """Return what the scatter between runs gives to a mean over runs; nothing for a single run.

    Type A evaluation (JCGM 100:2008, 4.2) in two independent parts. Every run has its own zero,
    its own sensitivity and its own drift; how much of these a result takes up shows in as many
    values as there are runs. What is left of each reading is pooled over all points.
    """
    runs = _as_runs(readings)
    if runs is None or len(runs) < 2:
        return ()
    gradients = tracked.gradient[runs]
    apart = readings.outputs[runs] - readings.outputs[runs].mean(axis=0)
    basis = _run_basis(readings.loads[runs[0]])
    count, points = runs.shape
    own = np.einsum("ij,ij->i", gradients @ basis, apart @ basis)
    spread = own - own.mean()  # each run's share of the mean, that is 1/n of its own result
    between = math.sqrt(count / (count - 1) * float(spread @ spread))
    parts = [Contribution(f"scatter of {count} runs", between, count - 1)]
    freedom = (count - 1) * (points - basis.shape[1])
    if freedom:
        left = apart - apart @ basis @ basis.T
        outside = gradients - gradients @ basis @ basis.T
        pooled = math.sqrt(float((left**2).sum()) / freedom) * float(np.linalg.norm(outside))
        parts.append(Contribution("scatter of the points, pooled", pooled, freedom))
    return tuple(parts)


def _as_runs(readings: Readings) -> Integers | None:
    """Return places as (runs, points); None unless every run has the same loads in order."""
    places = [np.flatnonzero(readings.runs == run) for run in np.unique(readings.runs)]
    if len({len(own) for own in places}) > 1:
        return None
    table = np.array(places, dtype=np.int64)
    same = (readings.loads[table] == readings.loads[table[0]]).all()
    return table if same else None


def _run_basis(loads: Floats) -> Floats:
    """Return orthonormal columns for zero, sensitivity and drift of a run, as far as apart."""
    order = np.arange(len(loads), dtype=np.float64)
    size = float(np.abs(loads).max()) or 1.0
    columns = np.column_stack([np.ones_like(order), loads / size, order / max(1.0, order[-1])])
    left, sizes, _ = np.linalg.svd(columns, full_matrices=False)
    return np.asarray(left[:, sizes > 1e-9 * sizes[0]], dtype=np.float64)


def combine(
    tracked: Tracked,
    readings: Readings,
    sources: Iterable[Source],
    scatter: Sequence[Contribution] = (),
    probability: float = PROBABILITY,
) -> Uncertainty | None:
    """Return the uncertainty of a result; None when nothing at all is known about it.

    `scatter` are observed (Type A) parts. They hold whatever differs from run to run, so they
    stand in the budget instead of those sources, or these instead of them, whichever is larger.
    """
    parts = [(source, source.contribution(tracked.gradient, readings)) for source in sources]
    if not scatter and not parts:
        return None
    stated = _root_sum(part.standard_uncertainty for source, part in parts if source.within_runs)
    if not scatter or _root_sum(part.standard_uncertainty for part in scatter) < stated:
        return summed([part for _, part in parts], probability)
    kept = [part for source, part in parts if not source.within_runs]
    return summed([*kept, *scatter], probability)


def _root_sum(parts: Iterable[float]) -> float:
    return math.sqrt(sum(part * part for part in parts))


def summed(parts: Sequence[Contribution], probability: float = PROBABILITY) -> Uncertainty:
    """Return independent contributions as one uncertainty, with its coverage factor."""
    ordered = sorted(parts, key=lambda part: -part.standard_uncertainty)
    standard = _root_sum(part.standard_uncertainty for part in ordered)
    freedom = effective_degrees_of_freedom(ordered)
    factor = coverage_factor(freedom, probability)
    return Uncertainty(standard, freedom, factor, probability, tuple(ordered))


def effective_degrees_of_freedom(parts: Iterable[Contribution]) -> float:
    """Return the Welch-Satterthwaite degrees of freedom (JCGM 100:2008, G.4.1, formula G.2b)."""
    weights = [(part.standard_uncertainty**2, part.degrees_of_freedom) for part in parts]
    total = sum(square for square, _ in weights)
    if total == 0.0:
        return min((freedom for _, freedom in weights), default=math.inf)
    lost = sum((square / total) ** 2 / freedom for square, freedom in weights)
    return 1.0 / lost if lost > 0 else math.inf


def coverage_factor(degrees_of_freedom: float, probability: float = PROBABILITY) -> float:
    """Return Student's t for a two-sided interval; fractions of a degree of freedom are cut off.

    JCGM 100:2008, G.4.1 note 1 and table G.2.
    """
    from scipy.special import ndtri, stdtrit

    upper = 0.5 * (1.0 + probability)
    if degrees_of_freedom > 1e6:
        return float(ndtri(upper))
    # a sum that should give a whole number may come out an ulp below it
    return float(stdtrit(max(1, math.floor(degrees_of_freedom * (1 + 1e-12))), upper))


@dataclass(frozen=True, slots=True)
class Result:
    """A named value with its uncertainty, in `unit`; `where` says at which load or line.

    `tracked` holds its derivative by each reading, for whoever has uncertain readings to put in.
    """

    name: str
    value: float
    unit: str
    uncertainty: Uncertainty | None = None
    where: str = ""
    tracked: Tracked | None = field(default=None, repr=False, compare=False)

    @property
    def expanded(self) -> float | None:
        """The expanded uncertainty, None where none can be stated."""
        return None if self.uncertainty is None else self.uncertainty.expanded

    def to_json(self) -> dict[str, object]:
        """Return a plain document; infinite degrees of freedom become null."""
        stated = self.uncertainty
        document: dict[str, object] = {
            "name": self.name,
            "value": self.value,
            "unit": self.unit,
            "where": self.where,
            "expanded_uncertainty": None,
        }
        return document if stated is None else document | _stated(stated)


def _stated(uncertainty: Uncertainty) -> dict[str, object]:
    return {
        "expanded_uncertainty": uncertainty.expanded,
        "coverage_factor": uncertainty.coverage_factor,
        "degrees_of_freedom": _finite(uncertainty.degrees_of_freedom),
        "probability": uncertainty.probability,
        "budget": [
            {
                "name": part.name,
                "standard_uncertainty": part.standard_uncertainty,
                "degrees_of_freedom": _finite(part.degrees_of_freedom),
            }
            for part in uncertainty.budget
        ],
    }


def _finite(number: float) -> float | None:
    return number if math.isfinite(number) else None
