"""Figures that compare two or more series or positions: off-centre, both directions, temperature.

What is common to the compared readings cancels, so everything compared is put into one set of
readings first: the same indicator and the same weights must have been used throughout.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from acq.analysis.load_results import OF_RATED_OUTPUT, NetCurve, largest_of
from acq.analysis.load_series import LoadSeries, SeriesError
from acq.analysis.propagation import (
    Contribution,
    Floats,
    Readings,
    Result,
    Source,
    Tracked,
    combine,
    run_scatter,
    summed,
)

OF_LOAD_OUTPUT = "of the output at the centre"
MEAN_SHARE = "of the mean"


class Joined:
    """Several series as one set of readings; each keeps its runs apart from the others'."""

    def __init__(self, members: Sequence[LoadSeries], sources: Iterable[Source]) -> None:
        self.sources = tuple(sources)
        self.curves = [NetCurve(member) for member in members]
        self._ends = np.cumsum([len(member.readings) for member in members])
        shifts = np.cumsum([0, *(max(member.runs) + 1 for member in members[:-1])])
        parts = [curve.readings for curve in self.curves]
        self.readings = Readings(
            np.concatenate([part.outputs for part in parts]),
            np.concatenate([part.loads for part in parts]),
            np.concatenate([p.runs + shift for p, shift in zip(parts, shifts, strict=True)]),
        )

    def own(self, place: int, tracked: Tracked) -> Tracked:
        """Return a number of one member as one of all readings."""
        gradient = np.zeros(int(self._ends[-1]))
        gradient[self._slice(place)] = tracked.gradient
        return Tracked(tracked.value, gradient)

    def _slice(self, place: int) -> slice:
        start = int(self._ends[place - 1]) if place else 0
        return slice(start, int(self._ends[place]))

    def result(
        self, name: str, tracked: Tracked, unit: str, further: Sequence[Contribution] = ()
    ) -> Result:
        """Return a result whose scatter is that of each member's own runs."""
        scatter = [
            part
            for place, curve in enumerate(self.curves)
            for part in self._scatter(place, tracked.gradient, curve.readings)
        ]
        stated = combine(tracked, self.readings, self.sources, scatter)
        if stated is not None and further:
            stated = summed([*stated.budget, *further], stated.probability)
        return Result(name, tracked.value, unit, stated, "", tracked)

    def _scatter(
        self, place: int, gradient: Floats, readings: Readings
    ) -> tuple[Contribution, ...]:
        return run_scatter(Tracked(0.0, gradient[self._slice(place)]), readings)


def mirrored(series: LoadSeries) -> LoadSeries:
    """Return a series with its outputs turned: compression beside tension, loads as sizes."""
    turned = tuple(
        replace(r, load=abs(r.load), output=-r.output if _net_is_negative(series) else r.output)
        for r in series.readings
    )
    return LoadSeries(turned, abs(series.minimum_load))


def _net_is_negative(series: LoadSeries) -> bool:
    return NetCurve(series).span.value < 0.0


def asymmetry(
    tension: LoadSeries,
    compression: LoadSeries,
    capacity: float | None = None,
    sources: Iterable[Source] = (),
) -> Result:
    """Return (|RO| in tension - |RO| in compression) over their mean."""
    joined = Joined([mirrored(tension), mirrored(compression)], sources)
    pulled, pressed = (
        joined.own(place, curve.rated_output(capacity)) for place, curve in enumerate(joined.curves)
    )
    return joined.result(
        "tension/compression asymmetry", (pulled - pressed) / ((pulled + pressed) * 0.5), MEAN_SHARE
    )


@dataclass(frozen=True, slots=True)
class TemperatureEffect:
    """Change per kelvin, both as fractions: of the rated output, and of the span itself."""

    zero_per_k: Result
    span_per_k: Result


def temperature_effect(
    cold: tuple[float, LoadSeries],
    warm: tuple[float, LoadSeries],
    capacity: float | None = None,
    sources: Iterable[Source] = (),
    temperature_uncertainty_k: float = 0.0,
) -> TemperatureEffect:
    """Return the effect on zero and on span between two temperatures (degC, series at it).

    `temperature_uncertainty_k` is the standard uncertainty of the difference. Sheets state the
    effect per 10 K: multiply. Raises SeriesError for equal temperatures.
    """
    difference = warm[0] - cold[0]
    if difference == 0.0:
        raise SeriesError("a temperature effect needs two different temperatures")
    joined = Joined([cold[1], warm[1]], sources)
    spans = [joined.own(i, c.rated_output(capacity)) for i, c in enumerate(joined.curves)]
    zeros = [
        joined.own(i, Tracked.weighted(c.zero, c.readings)) for i, c in enumerate(joined.curves)
    ]
    mean = (spans[0] + spans[1]) * 0.5
    return TemperatureEffect(
        *(
            joined.result(
                f"temperature effect on {name}",
                change / mean / difference,
                f"{unit} per K",
                _of_temperature(change.value / mean.value, difference, temperature_uncertainty_k),
            )
            for name, unit, change in (
                ("zero", OF_RATED_OUTPUT, zeros[1] - zeros[0]),
                ("span", OF_RATED_OUTPUT, spans[1] - spans[0]),
            )
        )
    )


def _of_temperature(change: float, difference: float, standard: float) -> list[Contribution]:
    if standard == 0.0:
        return []
    size = abs(change) * standard / difference**2
    return [Contribution("temperature difference", size, math.inf)]


@dataclass(frozen=True, slots=True, kw_only=True)
class PositionReading:
    """Output with the load on one position of the platform, and the zero before it (V/V)."""

    position: str
    output: float
    zero: float


@dataclass(frozen=True, slots=True)
class OffCentre:
    """Each position against the centre, and the two usual single figures."""

    positions: tuple[Result, ...]
    largest: Result  # the position farthest from the centre
    spread: Result  # largest minus smallest of all positions


def off_centre(
    readings: Sequence[PositionReading],
    load: float,
    centre: str = "centre",
    sources: Iterable[Source] = (),
) -> OffCentre:
    """Return the off-centre error of a single-point cell; `load` is usually Emax / 3.

    Raises SeriesError without the centre, with a position twice, or with fewer than two others.
    """
    names = [reading.position for reading in readings]
    if names.count(centre) != 1 or len(set(names)) != len(names) or len(names) < 3:
        raise SeriesError(
            f"off-centre needs {centre!r} once and at least two other positions, each once; "
            f"there are {', '.join(names) or 'none'}"
        )
    parts = _Positions(readings, load, tuple(sources))
    middle = parts.net(names.index(centre))
    found = {
        name: (parts.net(place) - middle) / middle
        for place, name in enumerate(names)
        if name != centre
    }
    farthest = largest_of(found)
    ordered = sorted((parts.net(place) for place in range(len(names))), key=lambda net: net.value)
    low, high = (ordered[0], ordered[-1]) if middle.value > 0 else (ordered[-1], ordered[0])
    return OffCentre(
        tuple(parts.result("off-centre error", each, name) for name, each in found.items()),
        parts.result("off-centre error, largest", found[farthest], farthest),
        parts.result("off-centre error, spread", (high - low) / middle, ""),
    )


class _Positions:
    def __init__(
        self, readings: Sequence[PositionReading], load: float, sources: tuple[Source, ...]
    ) -> None:
        self.sources = sources
        self.count = len(readings)
        self.readings = Readings(
            np.array([r.zero for r in readings] + [r.output for r in readings]),
            np.array([0.0] * self.count + [load] * self.count),
            np.array(2 * list(range(self.count)), dtype=np.int64),
        )

    def net(self, place: int) -> Tracked:
        weights = np.zeros(2 * self.count)
        weights[place], weights[self.count + place] = -1.0, 1.0
        return Tracked.weighted(weights, self.readings)

    def result(self, name: str, tracked: Tracked, where: str) -> Result:
        stated = combine(tracked, self.readings, self.sources)
        return Result(name, tracked.value, OF_LOAD_OUTPUT, stated, where, tracked)


def set_spread(
    members: Mapping[str, LoadSeries],
    capacity: float | None = None,
    sources: Iterable[Source] = (),
) -> Result:
    """Return how far the rated outputs of a set lie apart, over their mean; gain cancels.

    Cells that share one platform are judged together. Raises SeriesError for a single cell.
    """
    if len(members) < 2:
        raise SeriesError("a set has at least two cells")
    joined = Joined(list(members.values()), sources)
    outputs = [joined.own(i, abs(c.rated_output(capacity))) for i, c in enumerate(joined.curves)]
    names = list(members)
    order = sorted(range(len(names)), key=lambda place: outputs[place].value)
    total = outputs[0]
    for output in outputs[1:]:
        total = total + output
    spread = (outputs[order[-1]] - outputs[order[0]]) / (total / float(len(names)))
    found = joined.result("spread of rated outputs", spread, MEAN_SHARE)
    return replace(found, where=f"{names[order[-1]]} over {names[order[0]]}")


def against(
    result: Result, reference: float, reference_expanded: float | None = None, k: float = 2.0
) -> Result:
    """Return (result - reference) / reference, the deviation from a sheet's or nominal value.

    Raises SeriesError for a reference of zero.
    """
    if reference == 0.0:
        raise SeriesError("a deviation from zero has no size")
    parts = [
        Contribution(part.name, part.standard_uncertainty / abs(reference), part.degrees_of_freedom)
        for part in (result.uncertainty.budget if result.uncertainty else ())
    ]
    if reference_expanded:
        size = abs(result.value) * reference_expanded / k / reference**2
        parts.append(Contribution("reference value", size, math.inf))
    stated = summed(parts) if parts else None
    deviation = result.value / reference - 1.0
    return Result(f"{result.name} against reference", deviation, "of reference", stated)
