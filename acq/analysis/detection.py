"""How small a fault may be and still be named first: the detection limits of one type of cell.

The ranking itself is asked, with readings as each fault alone would give them, free of noise:
a size is detectable when from there on the fault at its place has `SURE` of the probability.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from acq.analysis.expectation import COUNT
from acq.analysis.fault_lines import Line, Measure
from acq.analysis.fault_models import JOINT_JITTER
from acq.analysis.faults import UNKNOWN, Fault, FaultAt
from acq.analysis.first_look import Mask
from acq.analysis.insulation_evidence import InsulationReadings
from acq.analysis.leads import INPUT
from acq.analysis.leak_models import LEAK_BINS, LEAK_DECADES, MOISTURE
from acq.analysis.network import Delta, Floats, delta_readings
from acq.analysis.ranking import CellReadings, Ranker

SURE = 0.95
TESTER_DECADES = 10.3  # log10 of the largest insulation that is read as a number
STEPS = 25
MICROVOLT = 1e-6


@dataclass(frozen=True, slots=True)
class DetectionLimit:
    """From `size` on (in `unit`) a fault is named first; None: never from these readings.

    `least` and `most` are the ends of the sizes that were asked for. For paths a smaller
    resistance is the larger fault. A fault without a size has the unit "".
    """

    place: FaultAt
    size: float | None
    unit: str
    smaller_is_worse: bool
    least: float = 0.0
    most: float = np.inf

    def detects(self, size: float) -> bool:
        """Whether a fault of this size is beyond the limit."""
        if self.size is None:
            return False
        return size <= self.size if self.smaller_is_worse else abs(size) >= self.size

    @property
    def text(self) -> str:
        """The limit in words."""
        if self.size is None:
            return "not from these readings"
        if self.unit == "":
            return "always"
        return f"{'up to' if self.smaller_is_worse else 'from'} {self.size:.3g} {self.unit}"


def detection_limits(ranker: Ranker) -> Mapping[FaultAt, tuple[DetectionLimit, ...]]:
    """Return the limits of every fault and place that a ranker knows, but the unknown.

    A fault that shows itself in several ways (a leg shorted, open, changed) has one for each.
    """
    found: dict[FaultAt, tuple[DetectionLimit, ...]] = {}
    for number, line in enumerate(ranker.lines):
        for place, share in ranker.shares[number]:
            if place == UNKNOWN or share < -1e20 or line.leak_bin is not None:
                continue
            if place not in MOISTURE:
                found[place] = (*found.get(place, ()), _limit(ranker, line, place))
    return found | {place: (_by_path(ranker, place),) for place in MOISTURE}


def _limit(ranker: Ranker, line: Line, place: FaultAt) -> DetectionLimit:
    if place.fault is Fault.THERMAL_EMF and line.point:
        return _by_emf(ranker, place)
    if place.fault is Fault.SHIELD_TO_HOUSING or (
        place.fault is Fault.LEAD_SHORT and len(place.where) == 1
    ):
        return _by_path(ranker, place)
    sizes = _sizes(line)
    measure = line.measure or Measure(of=lambda s: s, unit="")
    readings = _exact(ranker, line, sizes)
    seen = _sure(ranker, readings, place)
    if line.point:
        return DetectionLimit(place, 0.0 if seen.all() else None, "", False)
    values = np.asarray(measure.of(sizes))
    return _smallest(place, values, seen, measure.unit, measure.smaller_is_worse)


def _smallest(
    place: FaultAt, values: Floats, seen: Mask, unit: str, smaller_is_worse: bool
) -> DetectionLimit:
    """Return from where on, to both signs, everything is seen."""
    severity = 1.0 / np.maximum(np.abs(values), 1e-9) if smaller_is_worse else np.abs(values)
    order = np.argsort(severity)
    unseen = np.flatnonzero(~seen[order])
    first = int(unseen[-1]) + 1 if len(unseen) else 0
    size = None if first == len(order) else float(np.abs(values[order[first]]))
    ends = float(np.abs(values).min()), float(np.abs(values).max())
    return DetectionLimit(place, size, unit, smaller_is_worse, *ends)


def _sizes(line: Line) -> Floats:
    """Return sizes all over the prior, evenly by their share."""
    if line.point:
        return np.zeros(1)
    middle = 0.5 * (line.prior.lower + line.prior.upper)
    order = np.argsort(middle)
    return middle[order][:: max(1, len(middle) // (2 * STEPS))]


def _exact(ranker: Ranker, line: Line, sizes: Floats) -> CellReadings:
    """Return what the bench reads without noise; everything beside the network is sound."""
    ohms = line.base + sizes[:, None] * line.step
    pairs = np.where(line.open[:-1], np.inf, np.maximum(ohms[:, :-1], 0.0))
    double = 2.0 * ohms[:, ranker.pairs.index(INPUT)]
    zero = ohms[:, -1] / np.where(np.abs(double) > 1e-6, double, 1e-6)
    meters = ranker.population.meters
    scatter = np.full(pairs.shape, meters.repeat_ohms)
    if line.scatter is not None:
        moving = JOINT_JITTER * np.abs(sizes[:, None] * line.step[:-1]) * (line.scatter > 0.5)
        scatter = np.hypot(scatter, moving)
    return _readings(ranker, pairs, zero, scatter=scatter)


def _readings(
    ranker: Ranker,
    pairs: Floats,
    zero: Floats,
    *,
    scatter: Floats | None = None,
    emf: Floats | None = None,
    paths: InsulationReadings | None = None,
) -> CellReadings:
    cells = len(pairs)
    if scatter is None:
        scatter = np.full(pairs.shape, ranker.population.meters.repeat_ohms)
    bound = np.full((cells, 3), TESTER_DECADES)
    sound = InsulationReadings(bound, np.ones((cells, 3), bool))
    separate = np.zeros(cells) if emf is None else emf
    return CellReadings(
        pairs=pairs,
        zero=zero,
        emf=separate if ranker.emf_at is None else None,
        insulation=paths or sound,
        scatter=scatter,
        mean=np.zeros((cells, COUNT)),
    )


def _sound(ranker: Ranker, cells: int) -> tuple[Floats, Floats]:
    base = ranker.lines[0].base
    pairs = np.repeat(base[None, :-1], cells, axis=0)
    return pairs, np.full(cells, base[-1] / (2.0 * base[ranker.pairs.index(INPUT)]))


def _by_emf(ranker: Ranker, place: FaultAt) -> DetectionLimit:
    volts = np.geomspace(1.5e-6, 3e-4, STEPS)
    seen = _sure(ranker, _readings(ranker, *_sound(ranker, STEPS), emf=volts), place)
    return _smallest(place, volts / MICROVOLT, seen, "uV", smaller_is_worse=False)


def _by_path(ranker: Ranker, place: FaultAt) -> DetectionLimit:
    """A path to housing or shield, all else sound: how high may it be?"""
    number = {"housing": 0, "shield": 1}.get(str(place.where[0]), 0)
    low, high = LEAK_DECADES
    if place.fault is Fault.SHIELD_TO_HOUSING:
        number, low, high = 2, -2.0, 8.0
    elif place.fault is Fault.LEAD_SHORT:
        low, high = -2.0, LEAK_DECADES[0] - 0.1
    decades = np.linspace(low, high, STEPS)
    sound = ranker.population.insulation
    usual = [x[0] for x in (sound.leads_housing, sound.leads_shield, sound.shield_housing)]
    ohms = np.repeat(10.0 ** np.array([usual]), STEPS, axis=0)
    ohms[:, number] = 10.0**decades
    read = delta_readings(Delta(ohms[:, 0], ohms[:, 1], ohms[:, 2]))
    logs = np.log10(np.stack([read.leads_housing, read.leads_shield, read.shield_housing], -1))
    above = logs > TESTER_DECADES
    paths = InsulationReadings(np.minimum(logs, TESTER_DECADES), above)
    pairs, zero = _sound(ranker, STEPS)
    if place in MOISTURE:
        pairs, zero = _spread_out(ranker, decades)
    seen = _sure(ranker, _readings(ranker, pairs, zero, paths=paths), place)
    return _smallest(place, 10.0**decades, seen, "ohm", smaller_is_worse=True)


def _spread_out(ranker: Ranker, decades: Floats) -> tuple[Floats, Floats]:
    """Return pairs and zero with a leak of all leads alike."""
    bases = {x.leak_bin: x.base for x in ranker.lines if x.leak_bin is not None}
    bins = np.digitize(decades, LEAK_BINS[1:]).clip(0, len(LEAK_BINS) - 1)
    ohms = np.stack([bases[int(place)] for place in bins])
    return ohms[:, :-1], ohms[:, -1] / (2.0 * ohms[:, ranker.pairs.index(INPUT)])


def _sure(ranker: Ranker, readings: CellReadings, place: FaultAt) -> Mask:
    ranking = ranker.rank(readings)
    return ranking.probability[:, ranking.faults.index(place)] >= SURE
