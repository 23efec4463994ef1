"""Cells with at most one fault, drawn at random and read through the simulated circuit.

Nothing here knows how a diagnosis works: the elements are drawn from the stated population, the
circuit of the simulated bench makes the readings, and meters of the stated quality read them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from acq.analysis.expectation import COUNT, ExpectedCell, zero_as_ohms
from acq.analysis.faults import NONE_FOUND, Fault, FaultAt
from acq.analysis.insulation_evidence import InsulationReadings
from acq.analysis.leads import INPUT, OUTPUT, Lead, LeadPair, lead_pairs
from acq.analysis.network import Floats
from acq.analysis.papers import EarlierReadings, condition
from acq.analysis.population import Population
from acq.analysis.ranking import CellReadings
from simulated_bench import batch
from simulated_bench.cable import Cable, ohms_per_metre
from simulated_bench.cell import Bridge, CellDescription, CellState
from simulated_bench.elements import Element, Leak
from simulated_bench.elements import Fault as CircuitFault

FAULTS = (
    Fault.OPEN_LEAD,
    Fault.OPEN_SENSE_LEAD,
    Fault.LEAD_SHORT,
    Fault.OPEN_ARM,
    Fault.SHORTED_ARM,
    Fault.ARM_CHANGED,
    Fault.MOISTURE_IN_CELL,
    Fault.MOISTURE_IN_CABLE,
    Fault.SHIELD_TO_HOUSING,
    Fault.PLASTIC_SET,
    Fault.SWAPPED_LEADS,
    Fault.COMPENSATION_FAILED,
    Fault.ZERO_COMPENSATION_FAILED,
    Fault.LOOSE_JOINT,
    Fault.NOT_SOAKED,
    Fault.THERMAL_EMF,
    Fault.WRONG_CABLE_LENGTH,
    Fault.WRONG_PAPERS,
)
"""What a linear circuit at rest can show; the other faults need a load, a hand or hours."""

POPULATION = Population(
    name="drawn cells",
    sound=0.5,
    several=0.0,
    unknown=0.002,
    faults=dict.fromkeys(FAULTS, 1.0),
)
METER_LIMIT_OHMS = 1e8
TESTER_LIMIT_OHMS = 2e10
REPEATS = 3
BRIDGE = (Lead.EX_PLUS, Lead.EX_MINUS, Lead.S_PLUS, Lead.S_MINUS)
PADS = tuple(f"pad {lead}" for lead in BRIDGE)


@dataclass(frozen=True, slots=True)
class CellType:
    """One invented type, and which papers its cells come with."""

    wires: int
    nominal_ohms: float
    legs_ohms: tuple[float, float]
    length_m: float
    area_mm2: float
    celsius: float  # of the room, as its thermometer reads
    papers: str  # "data sheet", "calibration sheet", "earlier record"

    @property
    def conductor_ohms(self) -> float:
        return self.length_m * ohms_per_metre(self.area_mm2)

    @property
    def expected(self) -> ExpectedCell:
        """What the data sheet says."""
        return ExpectedCell(
            wires=self.wires,
            arm_ohms=self.nominal_ohms,
            legs_ohms=self.legs_ohms,
            conductor_ohms=self.conductor_ohms,
            arm_uncertainty=1.0,
            leg_uncertainty=0.1 * sum(self.legs_ohms),
            zero_uncertainty=2e-5,
            celsius=self.celsius,
        )

    @property
    def earlier(self) -> list[EarlierReadings]:
        """What the papers of each cell state, with what uncertainty."""
        sheet = EarlierReadings(
            pairs=(INPUT, OUTPUT), uncertainties=(0.25, 0.25), zero_uncertainty=2e-6
        )
        pairs = lead_pairs(self.wires)
        record = EarlierReadings(
            pairs=pairs,
            uncertainties=(0.004,) * len(pairs),
            gain=6e-5,
            offset_ohms=0.006,
            zero_uncertainty=5e-7,
        )
        return {"data sheet": [], "calibration sheet": [sheet], "earlier record": [record]}[
            self.papers
        ]


def draw_types(rng: np.random.Generator, count: int) -> list[CellType]:
    """Return invented types: 350, 700, 1000 ohm, 4 and 6 wires, three layouts, 0.5 to 30 m."""
    types = []
    for number in range(count):
        nominal = (350.0, 700.0, 1000.0)[number % 3]
        legs = nominal * rng.uniform(0.08, 0.14)
        layout = ((0.5, 0.5), (0.5, 0.5), (1.0, 0.0), (0.0, 1.0))[rng.integers(4)]
        types.append(
            CellType(
                wires=(4, 6)[number // 3 % 2],
                nominal_ohms=nominal,
                legs_ohms=(legs * layout[0], legs * layout[1]),
                length_m=float(np.exp(rng.uniform(np.log(0.5), np.log(30.0)))),
                area_mm2=float(rng.choice([0.14, 0.25, 0.5])),
                celsius=float(rng.uniform(10.0, 35.0)),
                papers=("data sheet", "calibration sheet", "earlier record")[rng.integers(3)],
            )
        )
    return types


@dataclass(slots=True)
class Drawn:
    """The elements of `count` cells of one type, and what is wrong with each."""

    type: CellType
    count: int
    arms: Floats  # (cells, 4), ohm
    legs: Floats  # (cells, 2), ohm at 20 degC
    conductors: Floats  # (cells, 6), ohm at 20 degC, with their clips
    zero: Floats  # (cells,), V/V
    leg_tempco: Floats
    celsius: Floats
    paths: Floats  # (cells, 3), ohm: leads to housing, leads to shield, shield to housing
    shares: Floats  # (cells, 2, 4): how the pads share the first two paths
    truth: list[FaultAt] = field(default_factory=list)
    size: Floats = field(default_factory=lambda: np.empty(0))
    body_kelvin: Floats = field(default_factory=lambda: np.empty(0))
    cable: Floats = field(default_factory=lambda: np.empty(0))  # conductors without clips
    joints: dict[str, Floats] = field(default_factory=dict)
    between: dict[tuple[str, str], Floats] = field(default_factory=dict)
    along: Floats = field(default_factory=lambda: np.empty(0))
    order: list[tuple[Lead, ...]] = field(default_factory=list)
    emf: Floats = field(default_factory=lambda: np.empty(0))
    mean: Floats = field(default_factory=lambda: np.empty((0, 0)))


def draw(rng: np.random.Generator, of: CellType, count: int, population: Population) -> Drawn:
    """Return sound cells of one type, scattered as the population says."""
    spread, expected = population.spread, of.expected
    nominal = of.nominal_ohms + expected.arm_uncertainty * rng.normal(size=count)
    top, left = spread.arm_mismatch * rng.normal(size=(2, count))
    zero = expected.zero_uncertainty * rng.normal(size=count)
    total, share = sum(of.legs_ohms), of.legs_ohms[0] / sum(of.legs_ohms)
    legs = total + expected.leg_uncertainty * rng.normal(size=count)
    split = spread.leg_split * total * rng.normal(size=count) * (0.0 < share < 1.0)
    unbalance = zero * expected.input_ohms / of.nominal_ohms
    signs = np.array([[1, 1, -1], [1, -1, 1], [-1, 1, 1], [-1, -1, -1]])
    arms = nominal[:, None] * (1.0 + np.stack([top, left, unbalance], -1) @ signs.T)
    conductor = of.conductor_ohms * (1.0 + spread.conductor_common * rng.normal(size=count))
    each = spread.conductor_each * of.conductor_ohms * rng.normal(size=(count, 6))
    cable = conductor[:, None] + each
    sound = population.insulation
    decades = np.array([sound.leads_housing, sound.leads_shield, sound.shield_housing])
    cells = Drawn(
        type=of,
        count=count,
        arms=arms,
        legs=np.stack([share * legs + split, (1 - share) * legs - split], -1),
        conductors=cable + spread.contact_ohms * rng.normal(size=(count, 6)),
        cable=cable,
        zero=zero,
        leg_tempco=spread.leg_per_kelvin + spread.leg_per_kelvin_spread * rng.normal(size=count),
        celsius=of.celsius + population.meters.celsius * rng.normal(size=count),
        paths=10.0 ** (decades[:, 0] + decades[:, 1] * rng.normal(size=(count, 3))),
        shares=rng.dirichlet(np.ones(4), size=(count, 2)),
        truth=[NONE_FOUND] * count,
        size=np.full(count, np.nan),
        body_kelvin=np.zeros(count),
        joints={},
        between={},
        along=np.zeros(count),
        order=[tuple(SIX)] * count,
        emf=population.meters.emf_volts * rng.normal(size=count),
        mean=np.zeros((count, COUNT)),
    )
    for earlier in of.earlier:
        values = _earlier_values(rng, cells, earlier)
        cells.mean = condition(expected, population, [earlier]).mean(values)
    return cells


def _earlier_values(rng: np.random.Generator, cells: Drawn, earlier: EarlierReadings) -> Floats:
    """Return what the papers of each cell say: the sound cell, read at another bench."""
    now, cells.celsius = cells.celsius, np.full(cells.count, earlier.celsius)
    pairs, zero = true_pairs(cells, earlier.pairs), true_zero(cells)
    cells.celsius = now
    noise = np.array(earlier.uncertainties) * rng.normal(size=pairs.shape)
    gain = 1.0 + earlier.gain * rng.normal(size=(cells.count, 1))
    offset = earlier.offset_ohms * rng.normal(size=(cells.count, 1))
    if earlier.zero_uncertainty is not None:
        zero = zero + earlier.zero_uncertainty * rng.normal(size=cells.count)
    pairs = gain * pairs + offset + noise
    return np.column_stack([pairs, zero_as_ohms(zero, pairs[:, earlier.pairs.index(INPUT)])])


SIX = tuple(Lead)[:6]


def description(cells: Drawn, rows: NDArray[np.int64] | slice = slice(None)) -> CellDescription:
    """Return the cells as the simulated bench describes them, without their faults' leaks."""
    warmer = cells.celsius + cells.body_kelvin - 20.0
    # the circuit knows one tempco of nickel; what a cell has beside it goes into the value
    own = (1.0 + cells.leg_tempco * warmer) / (1.0 + 0.005 * warmer)
    arms, legs = cells.arms[rows], (cells.legs * own[:, None])[rows]
    inner = (cells.conductors * (1.0 - cells.along)[:, None])[rows]
    leads = [lead for lead in SIX if cells.type.wires == 6 or not lead.startswith("Se")]
    return CellDescription(
        bridges=(
            Bridge(
                arms={arm: arms[:, place] for place, arm in enumerate("ABCD")},
                compensation=(legs[:, 0], legs[:, 1]),
            ),
        ),
        wires=cells.type.wires,
        cable=Cable(
            length_m=cells.type.length_m,
            conductor_ohms={str(x): np.maximum(inner[:, SIX.index(x)], 1e-6) for x in leads},
        ),
        leak_at_pads=1e14,
        leak_at_plug=1e14,
    )


def circuit_faults(
    cells: Drawn, rows: NDArray[np.int64] | slice = slice(None)
) -> list[CircuitFault]:
    """Return insulation and leaks as elements of the circuit."""
    found: list[CircuitFault] = []
    for path, to in enumerate(("housing", "pad shield")):
        each = cells.paths[rows, path, None] / cells.shares[rows, path]
        found += [Leak(pad, to, each[:, place]) for place, pad in enumerate(PADS)]
    found.append(Leak("pad shield", "housing", cells.paths[rows, 2]))
    found += [Leak(a, b, ohms[rows]) for (a, b), ohms in cells.between.items()]
    return found


def state(cells: Drawn, rows: NDArray[np.int64] | slice = slice(None)) -> CellState:
    """Return the temperatures now."""
    warm = (cells.celsius + cells.body_kelvin)[rows]
    return CellState(body_celsius=warm, cable_celsius=warm)


def true_pairs(cells: Drawn, pairs: Sequence[LeadPair]) -> Floats:
    """Return the resistances at the plug, as the leads are marked, (cells, pairs) ohm."""
    every = lead_pairs(cells.type.wires)
    named = [(str(pair.one), str(pair.other)) for pair in every]
    made = batch.Cells(description(cells), circuit_faults(cells), state(cells))
    inner = batch.pair_resistances(made, named)
    warm = (230.0 + cells.celsius + cells.body_kelvin) / 250.0
    before = _before(cells) * warm[:, None]
    ohms = np.where(np.isfinite(inner) & (inner < METER_LIMIT_OHMS), inner, np.inf)
    stubs = [before[:, SIX.index(p.one)] + before[:, SIX.index(p.other)] for p in every]
    ohms = ohms + np.stack(stubs, -1)
    out = np.empty((cells.count, len(pairs)))
    place = {pair: number for number, pair in enumerate(every)}
    for cell, order in enumerate(cells.order):
        real = dict(zip(SIX, order, strict=True))
        for number, pair in enumerate(pairs):
            out[cell, number] = ohms[cell, place[LeadPair.of(real[pair.one], real[pair.other])]]
    return out


def _before(cells: Drawn) -> Floats:
    """Return the part of each conductor between the plug and a short in the cable, ohm."""
    along = cells.along[:, None]
    return np.where(along > 0, np.where(along > 0, cells.conductors, 0.0) * along, 0.0)


def true_zero(cells: Drawn) -> Floats:
    """Return V(S+, S-) / V(Ex+, Ex-) as the leads are marked, NaN where a lead is open."""
    out = np.full(cells.count, np.nan)
    for order in set(cells.order):
        rows = np.array([x == order for x in cells.order]).nonzero()[0]
        real = dict(zip(SIX, order, strict=True))
        made = batch.Cells(
            description(cells, rows), circuit_faults(cells, rows), state(cells, rows)
        )
        plus, minus = str(real[Lead.EX_PLUS]), str(real[Lead.EX_MINUS])
        supply = Element("ideal excitation", plus, minus, 1e-6, 10.0)
        points = batch.solve([*made.parts, supply])
        signal = points.volts(str(real[Lead.S_PLUS]), str(real[Lead.S_MINUS]))
        warm = (230.0 + (cells.celsius + cells.body_kelvin)[rows]) / 250.0
        amps = -points.amps("ideal excitation")
        ends = [SIX.index(real[x]) for x in (Lead.EX_PLUS, Lead.EX_MINUS)]
        stub = _before(cells)[rows][:, ends].sum(-1) * warm
        with np.errstate(divide="ignore", invalid="ignore"):
            out[rows] = signal / (points.volts(plus, minus) + amps * stub)
    return out


def true_insulation(cells: Drawn) -> Floats:
    """Return the three readings of an insulation tester in ohm, (cells, 3)."""
    made = batch.Cells(description(cells), circuit_faults(cells), state(cells))
    clips = (
        (made.leads, ["housing"]),
        (made.leads, ["shield"]),
        (["shield"], ["housing"]),
    )
    return np.stack([batch.insulation(made, plus, minus) for plus, minus in clips], -1)


def read(rng: np.random.Generator, cells: Drawn, population: Population) -> CellReadings:
    """Return what the bench reads of the cells, with the errors of its meters."""
    meters, pairs = population.meters, lead_pairs(cells.type.wires)
    ohms = true_pairs(cells, pairs)
    moved, scatter = _repeats(rng, cells, ohms, pairs, population)
    half_width = np.sqrt(3.0)  # errors within a specification: rectangular
    gain = 1.0 + meters.gain * half_width * rng.uniform(-1.0, 1.0, (cells.count, 2))
    upper = moved > 1200.0  # another range, another gain error
    offset = meters.offset_ohms * half_width * rng.uniform(-1.0, 1.0, (cells.count, 1))
    noise = meters.noise_ohms * rng.normal(size=ohms.shape)
    read_ohms = moved * np.where(upper, gain[:, 1:], gain[:, :1]) + offset + noise
    zero = true_zero(cells) + meters.zero_ratio * rng.normal(size=cells.count)
    decades = np.log10(true_insulation(cells))
    quality = np.where(decades < 9.0, meters.insulation_low, meters.insulation_high)
    decades = decades + quality * rng.normal(size=decades.shape)
    limit = np.log10(TESTER_LIMIT_OHMS)
    return CellReadings(
        pairs=np.where(np.isfinite(moved), np.maximum(read_ohms, 0.0), np.inf),
        zero=zero,
        emf=cells.emf + meters.emf_reading_volts * rng.normal(size=cells.count),
        insulation=InsulationReadings(np.minimum(decades, limit), decades > limit),
        scatter=scatter,
        repeats=REPEATS,
        mean=cells.mean,
    )


def _repeats(
    rng: np.random.Generator,
    cells: Drawn,
    ohms: Floats,
    pairs: Sequence[LeadPair],
    population: Population,
) -> tuple[Floats, Floats]:
    """Return the mean and the standard deviation of three repeats; a joint moves by 30 %."""
    repeat = population.meters.repeat_ohms
    variance = rng.chisquare(REPEATS - 1, ohms.shape) / (REPEATS - 1)
    scatter = repeat * np.sqrt(variance)
    loose = [x for x, place in enumerate(cells.truth) if place.fault is Fault.LOOSE_JOINT]
    if not loose:
        return ohms, scatter
    moved = ohms.copy()
    for cell in loose:
        where, joint = cells.truth[cell].where, cells.size[cell]
        values = joint * (1.0 + 0.3 * rng.normal(size=(len(pairs), REPEATS)))
        if len(where) == 1:
            weight = np.array([float(where[0] in pair) for pair in pairs])
        else:
            own = LeadPair.of(*where)
            weight = np.array([0.5625 if pair == own else 0.0625 for pair in pairs])
        change = weight[:, None] * (values - joint)
        moved[cell] += change.mean(-1)
        noisy = change + repeat * rng.normal(size=change.shape)
        scatter[cell] = noisy.std(-1, ddof=1)
    return moved, scatter
