"""How small a fault may be and still be named first: the detection limits of one type of cell.

The ranking itself is asked, with readings that are drawn as each fault alone would give them on
sound cells of the type and with the meter's errors. From its limit on a fault at its place stands
first on at least `ON_AVERAGE` of the cells drawn, of all sizes beyond together, on hardly fewer
(`AT_LEAST`) of those of each size, and on `AT_LIMIT` at the limit. Two conductors that touch near
the cell cannot be told from a fault inside it: their limit also says up to which part of the
cable, from the plug, it holds.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr, ndtri

from acq.analysis import fault_changes as changes
from acq.analysis.expectation import COUNT, PLACE, readings
from acq.analysis.fault_lines import MODEL_SHARE, OTHER_CABLE_OHMS, Line, Measure
from acq.analysis.fault_models import JOINT_JITTER
from acq.analysis.faults import UNKNOWN, Fault, FaultAt
from acq.analysis.insulation_evidence import InsulationReadings
from acq.analysis.leads import INPUT
from acq.analysis.leak_models import LEAK_BINS, LEAK_DECADES, MOISTURE
from acq.analysis.network import Delta, Floats, delta_readings
from acq.analysis.network_evidence import covariance
from acq.analysis.ranking import CellReadings, Ranker

ON_AVERAGE, AT_LIMIT, AT_LEAST = 0.98, 15.0 / 16.0, 0.8
DRAWS = 16  # cells of each size
SEED = 20
REPEATS = 3
ALONG = np.linspace(0.05, 0.95, 10)  # of the cable, from the plug
TESTER_DECADES = 10.3  # log10 of the largest insulation that is read as a number
STEPS = 25
FEW_DRAWS = 6  # cells of each size and place along the cable
MICROVOLT = 1e-6


@dataclass(frozen=True, slots=True)
class DetectionLimit:
    """From `size` on (in `unit`) a fault is named first; None: never from these readings.

    `least` and `most` are the ends of the sizes that were asked for. For paths a smaller
    resistance is the larger fault. A fault without a size has the unit "". `reach` is the part of
    the cable, from the plug, within which the limit holds.
    """

    place: FaultAt
    size: float | None
    unit: str
    smaller_is_worse: bool
    least: float = 0.0
    most: float = np.inf
    reach: float = 1.0

    def detects(self, size: float, along: float = 0.0) -> bool:
        """Whether a fault of this size, and so far along the cable, is beyond the limit."""
        if self.size is None or along > self.reach:
            return False
        return size <= self.size if self.smaller_is_worse else abs(size) >= self.size

    @property
    def text(self) -> str:
        """The limit in words."""
        if self.size is None:
            return "not from these readings"
        if self.unit == "":
            return "always"
        said = f"{'up to' if self.smaller_is_worse else 'from'} {self.size:.3g} {self.unit}"
        if self.reach < 1.0:
            said += f", in the {self.reach:.0%} of the cable next to the plug"
        return said


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
    if place.fault is Fault.LEAD_SHORT:
        return _along_the_cable(ranker, line, place)
    sizes, shares = _sizes(line)
    measure = line.measure or Measure(of=lambda s: s, unit="")
    seen = _named(
        ranker, _drawn(ranker, line, sizes, line.base + sizes[:, None] * line.step), place
    )
    if line.point:
        always = bool((seen >= AT_LIMIT).all())
        return DetectionLimit(place, 0.0 if always else None, "", smaller_is_worse=False)
    values = np.asarray(measure.of(sizes))
    return _smallest(place, values, seen, measure.unit, measure.smaller_is_worse, shares)


def _smallest(
    place: FaultAt,
    values: Floats,
    seen: Floats,
    unit: str,
    smaller_is_worse: bool,
    shares: Floats | None = None,
) -> DetectionLimit:
    """Return from where on, to both signs, everything is seen; `shares` say how usual a size is."""
    severity = 1.0 / np.maximum(np.abs(values), 1e-9) if smaller_is_worse else np.abs(values)
    order = np.argsort(severity)
    share = seen[order]
    usual = np.ones(len(order)) if shares is None else shares[order]
    average = np.cumsum((usual * share)[::-1])[::-1] / np.cumsum(usual[::-1])[::-1]
    least = np.minimum.accumulate(share[::-1])[::-1]
    reached = (average >= ON_AVERAGE) & (least >= AT_LEAST) & (share >= AT_LIMIT)
    size = float(np.abs(values[order[int(reached.argmax())]])) if reached.any() else None
    ends = float(np.abs(values).min()), float(np.abs(values).max())
    return DetectionLimit(place, size, unit, smaller_is_worse, *ends)


def _along_the_cable(ranker: Ranker, line: Line, place: FaultAt) -> DetectionLimit:
    """Return the limit of two conductors that touch: so many ohm, so far along the cable."""
    assert line.measure is not None
    one, other = place.where
    sizes, _ = _sizes(line)
    ohms = np.asarray(line.measure.of(sizes))
    # where along the cable is stated here, and not scatter
    fixed = replace(
        line,
        columns_per_size=np.zeros((len(line.step), 0)),
        jitter=MODEL_SHARE * np.abs(line.step),
    )
    each = [
        readings(ranker.cell, ranker.population, np.zeros((1, COUNT)), ranker.pairs, touching)
        for along in ALONG
        for touching in (changes.leads_touch(one, other, float(x), float(along)) for x in ohms)
    ]
    every = np.tile(sizes, len(ALONG))
    drawn = _drawn(ranker, fixed, every, np.concatenate(each), FEW_DRAWS)
    seen = _named(ranker, drawn, place, FEW_DRAWS).reshape(len(ALONG), len(sizes))
    limits = [
        replace(
            _smallest(
                place,
                ohms,
                np.asarray(seen[: row + 1].min(0)),
                line.measure.unit,
                smaller_is_worse=True,
            ),
            reach=float(along) + 0.5 * float(ALONG[1] - ALONG[0]),
        )
        for row, along in enumerate(ALONG)
    ]

    def worth(limit: DetectionLimit) -> float:
        return 0.0 if limit.size is None else limit.reach * float((ohms <= limit.size).sum())

    return max(limits, key=worth)


def _sizes(line: Line) -> tuple[Floats, Floats]:
    """Return sizes all over the prior, and how usual each is."""
    if line.point:
        return np.zeros(1), np.ones(1)
    middle = 0.5 * (line.prior.lower + line.prior.upper)
    order = np.argsort(middle)[:: max(1, len(middle) // STEPS)]
    return middle[order], line.prior.share[order]


def _drawn(
    ranker: Ranker, line: Line, sizes: Floats, ohms: Floats, draws: int = DRAWS
) -> CellReadings:
    """Return what the bench reads of some cells of each size, (sizes times draws, ...).

    `ohms` (sizes, D) are the readings of a usual cell. Everything beside the network is sound.
    """
    rng = np.random.default_rng(SEED)  # the same cells at every size
    rows = np.arange(ohms.shape[-1])
    deviates = rng.normal(size=(ohms.shape[-1], draws))
    if line.from_papers:
        spread = covariance(line, rows, ranker.errors, sizes, ranker.root)
        scatter = np.linalg.cholesky(spread) @ deviates
    else:
        scatter = _of_other_cells(ranker, line, sizes, deviates, rng)
    ohms = (ohms[:, None, :] + np.swapaxes(scatter, -1, -2)).reshape(-1, ohms.shape[-1])
    pairs = np.where(line.open[:-1], np.inf, np.maximum(ohms[:, :-1], 0.0))
    double = 2.0 * ohms[:, ranker.pairs.index(INPUT)]
    zero = ohms[:, -1] / np.where(np.abs(double) > 1e-6, double, 1e-6)
    meters = ranker.population.meters
    deviation = np.full(pairs.shape, meters.repeat_ohms)
    if line.scatter is not None:
        moved = np.repeat(np.abs(sizes), draws)[:, None] * np.abs(line.step[:-1])
        deviation = np.hypot(deviation, JOINT_JITTER * moved * (line.scatter > 0.5))
    deviation *= np.sqrt(rng.chisquare(REPEATS - 1, pairs.shape) / (REPEATS - 1))
    usual = float(np.hypot(meters.emf_volts, meters.emf_reading_volts))
    emf = usual * np.tile(rng.normal(size=draws), len(sizes))
    return _readings(ranker, pairs, zero, scatter=deviation, emf=emf)


def _of_other_cells(
    ranker: Ranker, line: Line, sizes: Floats, deviates: Floats, rng: np.random.Generator
) -> Floats:
    """Return the scatter (sizes, D, draws) of cells of any type: no cable is below nothing."""
    rows = np.arange(len(line.base))
    z = rng.normal(size=(line.base_slopes.shape[-1], deviates.shape[-1]))
    least = float(ndtr(-ranker.cell.conductor_ohms / OTHER_CABLE_OHMS))
    z[PLACE["conductors"]] = ndtri(least + (1.0 - least) * rng.uniform(size=deviates.shape[-1]))
    slopes = line.base_slopes + sizes[:, None, None] * line.step_slopes
    own = np.linalg.cholesky(ranker.errors.covariance(rows)) @ deviates
    return np.asarray(slopes @ z + own)


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
    sound = np.repeat(ranker.lines[0].base[None], STEPS, axis=0)
    drawn = _drawn(ranker, ranker.lines[0], np.zeros(STEPS), sound)
    assert drawn.emf is not None  # a line without a size: reversal has separated the EMF
    seen = _named(ranker, replace(drawn, emf=drawn.emf + np.repeat(volts, DRAWS)), place)
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
    seen = _named(ranker, _readings(ranker, pairs, zero, paths=paths), place, draws=1)
    return _smallest(place, 10.0**decades, seen, "ohm", smaller_is_worse=True)


def _spread_out(ranker: Ranker, decades: Floats) -> tuple[Floats, Floats]:
    """Return pairs and zero with a leak of all leads alike."""
    bases = {x.leak_bin: x.base for x in ranker.lines if x.leak_bin is not None}
    bins = np.digitize(decades, LEAK_BINS[1:]).clip(0, len(LEAK_BINS) - 1)
    ohms = np.stack([bases[int(place)] for place in bins])
    return ohms[:, :-1], ohms[:, -1] / (2.0 * ohms[:, ranker.pairs.index(INPUT)])


def _named(ranker: Ranker, readings: CellReadings, place: FaultAt, draws: int = DRAWS) -> Floats:
    """Return on which share of the `draws` cells of each size the fault stands first."""
    ranking = ranker.rank(readings)
    first = ranking.first == ranking.faults.index(place)
    return np.asarray(first.reshape(-1, draws).mean(-1))
