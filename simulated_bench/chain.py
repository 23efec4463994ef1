"""A weighing chain on the same circuit: cells in a box, cable, transmitter, loop, input card.

Nodes: "cell 1 S+" ... (the cell's plug), "box S+" ..., "transmitter S+" ..., "transmitter I+",
"transmitter I-", "loop terminal", "input +", "input -", "card in", "card +", "card common",
"frame", "earth". Elements to lift, trim or spoil by name: "cell 1 terminal S+" (its screw in the
box, with the trim in it), "cell 1 signal shunt", "sense link +", "home run Ex+", "loop wire +",
"card burden" and all of a cell behind "cell 1 ". Instruments clip to any
node: a source fed at the box is one more description.

The transmitter is a sampled instrument: it reads the ratio of its input to its excitation,
filters it and sets a current. `steady` gives the chain at rest, `LiveChain` its way there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from simulated_bench.batch import Points, solve
from simulated_bench.cable import Cable
from simulated_bench.cell import CONDUCTORS, CellDescription, CellState, load_changes
from simulated_bench.circuit import Point, Values
from simulated_bench.electrical import EARTH
from simulated_bench.elements import Element, Fault, Part, with_faults
from simulated_bench.regulation import Floats
from simulated_bench.states import Drive, Modes
from simulated_bench.transmitter import LIVE_ZERO, LOOP_CURRENT, InputCard, Transmitter

LOST = 1.0
"""V/V that stand for an input that cannot be read: beyond any limit, so that it fails."""
ARRIVED = 1e-10
"""V/V and A: a hundredth of the smallest step that a transmitter of 2 mV/V makes."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ChainCell:
    """A cell in the box: description, papers (V/V, N) and what is trimmed at its terminals.

    `sense_joined` puts the sense leads of a 6-wire cell on its excitation terminals.
    """

    description: CellDescription
    rated_output: Values = 2e-3
    zero: Values = 0.0
    capacity_newtons: float = 4905.9
    excitation_trim_ohms: Values = 0.0
    signal_trim_ohms: Values = 0.0
    signal_shunt_ohms: Values = np.inf
    sense_joined: bool = True

    def unbalance(self, newtons: Values, celsius: Values | None = None) -> Values:
        """Return the unbalance of the arms that gives the papers' output.

        Closed form for equal arms: d = x (R + legs) / R, for 4 wires with the cable in the sum.
        At another temperature the gauges make good what the compensation legs take away.
        """
        bridge = self.description.bridges[0]
        arm = sum(bridge.arms.values()) / 4
        legs = bridge.compensation[0] + bridge.compensation[1]
        if self.description.wires == 4:
            legs = legs + 2 * self.description.cable.ohms("Ex+", self.description.reference_celsius)
        warmer = 0.0 if celsius is None else celsius - self.description.reference_celsius
        own = bridge.compensation[0] + bridge.compensation[1]
        rises = 1 + bridge.compensation_per_kelvin * warmer * own / (arm + legs)
        ratio = self.zero + self.rated_output * newtons / self.capacity_newtons
        return ratio * rises * (arm + legs) / arm


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Chain:
    """A whole chain. `sense` says where the transmitter's sense wires end.

    "box": with the home run at the box; "transmitter": jumpers at its own terminals;
    "missing": nowhere. `corner_share` is what the nearest cell takes of a load at a corner;
    `pipe_share` of every live load is carried by pipes, `pipe_newtons` they press for good.
    """

    cells: Sequence[ChainCell]
    transmitter: Transmitter = field(default_factory=Transmitter)
    card: InputCard = field(default_factory=InputCard)
    home_run: Cable = field(default_factory=lambda: Cable(length_m=50.0, area_mm2=0.5))
    sense: str = "box"
    contact_ohms: float = 0.005
    box_insulation_ohms: Values = 1e11
    loop_wire_ohms: float = 5.0
    dead_newtons: float = 0.0
    corner_share: float = 0.7
    pipe_share: float = 0.0
    pipe_newtons: float = 0.0

    def __post_init__(self) -> None:
        if self.sense not in ("box", "transmitter", "missing"):
            raise ValueError('the sense wires end at "box", "transmitter" or are "missing"')
        if not self.cells:
            raise ValueError("a chain has at least one cell")
        if self.transmitter.two_wire and not self.card.supply_volts:
            raise ValueError("a 2-wire transmitter needs an input card that supplies the loop")

    def forces(self, live_newtons: float, corner: int | None = None) -> list[float]:
        """Return the force on every cell in N; `corner` counts from 1, None is the middle."""
        count = len(self.cells)
        carried = live_newtons * (1 - self.pipe_share) + self.pipe_newtons
        if corner is None or count == 1:
            shares = [1 / count] * count
        else:
            rest = (1 - self.corner_share) / (count - 1)
            shares = [self.corner_share if k == corner - 1 else rest for k in range(count)]
        return [self.dead_newtons / count + carried * share for share in shares]

    def parts(
        self, forces: Sequence[Values], loop_amps: Values = LIVE_ZERO, celsius: Values = 20.0
    ) -> list[Part]:
        """Return all elements with these forces in N on the cells and this current set."""
        parts: list[Part] = []
        for number, (cell, newtons) in enumerate(zip(self.cells, forces, strict=True), 1):
            parts += self._cell(f"cell {number} ", cell, newtons, celsius)
        parts += self._box()
        parts += self._home_run(celsius)
        parts += self.transmitter.parts(loop_amps)
        parts += self.card.parts()
        parts += self._loop()
        parts.append(Element("frame earth", "frame", EARTH, 0.1))
        return parts

    def _cell(self, at: str, cell: ChainCell, newtons: Values, celsius: Values) -> list[Part]:
        state = CellState((load_changes(cell.unbalance(newtons, celsius)),), celsius, celsius)
        parts: list[Part] = [*cell.description.parts(state, at)]
        trims = {"Ex+": cell.excitation_trim_ohms}
        trims |= dict.fromkeys(("S+", "S-"), cell.signal_trim_ohms / 2)
        for lead in cell.description.nodes():
            if lead.startswith("Se") and not cell.sense_joined:
                continue
            box = "box " + lead.replace("Se", "Ex")
            ohms = self.contact_ohms + trims.get(lead, 0.0)
            parts.append(Element(f"{at}terminal {lead}", at + lead, box, ohms))
        shunt = cell.signal_shunt_ohms
        parts.append(Element(f"{at}signal shunt", "box S+", "box S-", shunt))
        parts.append(Element(f"{at}screen", f"{at}shield", "box shield", self.contact_ohms))
        parts.append(Element(f"{at}mount", f"{at}housing", "frame", 0.1))
        return parts

    def _box(self) -> list[Part]:
        leads = ("Ex+", "Ex-", "S+", "S-", "shield")
        return [
            Element(f"box leak {a} {b}", f"box {a}", f"box {b}", self.box_insulation_ohms)
            for place, a in enumerate(leads)
            for b in leads[place + 1 :]
        ]

    def _home_run(self, celsius: Values) -> list[Part]:
        parts: list[Part] = []
        with_sense = self.sense == "box"
        for lead in CONDUCTORS:
            if lead.startswith("Se") and not with_sense:
                continue
            ohms = self.home_run.ohms(lead, celsius)
            parts.append(Element(f"home run {lead}", f"box {lead}", f"transmitter {lead}", ohms))
        parts.append(
            Element(
                "home run shield", "box shield", "transmitter shield", self.home_run.shield_ohms
            )
        )
        place = {"box": "box", "transmitter": "transmitter"}.get(self.sense)
        if place:
            for sign in "+-":
                ends = f"{place} Se{sign}", f"{place} Ex{sign}"
                parts.append(Element(f"sense link {sign}", *ends, self.contact_ohms))
        return parts

    def _loop(self) -> list[Part]:
        """Return the loop: transmitter, a terminal on the way, the input's two terminals, card."""
        plus, minus = "transmitter I+", "transmitter I-"
        inside = ("card +", "card in") if self.transmitter.two_wire else ("card in", "card common")
        wires = (
            ("loop wire +", plus, "loop terminal", self.loop_wire_ohms / 2),
            ("input wire +", "loop terminal", "input +", self.loop_wire_ohms / 2),
            ("loop wire -", "input -", minus, self.loop_wire_ohms),
            ("input terminal +", "input +", inside[0], 1e-3),
            ("input terminal -", "input -", inside[1], 1e-3),
        )
        return [Element(*wire) for wire in wires]


@dataclass(frozen=True, slots=True, eq=False)
class ChainPoint:
    """A chain at rest: what each interface shows, one number per chain of a batch."""

    chain: Chain
    points: Points
    ratio: Floats
    amps: Floats
    value: Floats

    def volts(self, a: str, b: str) -> Floats:
        """Return the DC voltage between two nodes in V."""
        return self.points.volts(a, b)


def steady(
    chain: Chain,
    forces: Sequence[Values],
    faults: Sequence[Fault] = (),
    *,
    instruments: Sequence[Part] = (),
    celsius: Values = 20.0,
) -> ChainPoint:
    """Return the chain at rest under these forces in N (numbers, or arrays over many chains).

    `instruments` are parts clipped to its nodes. Raises CircuitError and SourcesFightError.
    """

    def solved(loop_amps: Values) -> Points:
        parts = [*chain.parts(forces, loop_amps, celsius), *instruments]
        return solve(_conducting(with_faults(parts, faults)))

    ratio = transmitter_ratio(chain, solved(LIVE_ZERO))
    points = solved(chain.transmitter.amps(ratio))
    amps = points.amps("card burden")
    return ChainPoint(chain, points, ratio, amps, chain.card.value(amps))


def transmitter_ratio(chain: Chain, points: Points | Point) -> Floats:
    """Return what the transmitter divides: signal by sensed excitation.

    NaN where it notices that it excites nothing: no voltage, or too little current.
    """
    at = "Se" if chain.transmitter.sense_used else "Ex"
    excitation = points.volts(f"transmitter {at}+", f"transmitter {at}-")
    signal = points.volts("transmitter S+", "transmitter S-")
    drawn = -points.amps("transmitter excitation")
    signal = signal + chain.transmitter.common_mode * _off_middle(points)
    alive = np.abs(excitation) > 0.05 * chain.transmitter.volts
    alive &= drawn >= chain.transmitter.wire_break_amps
    return np.where(alive, signal / np.where(alive, excitation, 1.0), np.nan)


def _off_middle(points: Points | Point) -> Floats:
    """Return how far the transmitter's input stands off the middle of its excitation, in V.

    Nothing where it floats: then there is no such voltage.
    """
    minus = "transmitter Ex-"
    plus, low, high = (points.volts(f"transmitter {node}", minus) for node in ("Ex+", "S-", "S+"))
    return np.nan_to_num((low + high - plus) / 2)


def _conducting(parts: Sequence[Part]) -> list[Part]:
    """Leave out what is open in every chain; a chain has hundreds of leaks of no conductance."""
    return [
        part
        for part in parts
        if not (isinstance(part, Element) and _is(part.amps, 0.0) and _is(part.ohms, np.inf))
    ]


def _is(values: Values, wanted: float) -> bool:
    """Whether a number, or every one of an array, is this; quick for the many plain numbers."""
    return values == wanted if isinstance(values, float) else bool(np.all(values == wanted))


class LiveChain:
    """A chain in time: its transmitter and its input card filter what they read.

    Whoever moves the clock asks for `parts`, solves them with what is clipped on and hands the
    point back: `take` moves the filters. The current set in a step follows from the ratio of
    the step before; steps of a fifth of the filter's time constant or less show its course.
    """

    def __init__(self, chain: Chain, faults: Sequence[Fault] = ()) -> None:
        self.chain = chain
        self.faults: Sequence[Fault] = faults
        self.forces: Sequence[float] = chain.forces(0.0)
        self.celsius = 20.0
        self._still: tuple[object, ...] = ()  # what the parts at hand were made for
        self._made: list[Part] = []
        self._ratio = Modes([-1 / max(chain.transmitter.filter_tau_s, 1e-9)])
        self._amps = Modes([-1 / max(chain.card.filter_tau_s, 1e-9)])
        self.settle()

    def load(self, live_newtons: float, corner: int | None = None) -> None:
        """Put a live load on the vessel, at a corner or in the middle."""
        self.forces = self.chain.forces(live_newtons, corner)

    def settle(self) -> None:
        """Let everything stand as after a long time."""
        point = steady(self.chain, self.forces, self.faults, celsius=self.celsius)
        self._ratio.settle(float(np.nan_to_num(point.ratio[0], nan=LOST)))
        self._amps.settle(float(point.amps[0]))

    def parts(self, seconds: float = 0.0) -> list[Part]:
        """Return all elements, the loop's current as the transmitter sets it now."""
        del seconds
        still = (self.forces, self.celsius, self.faults)
        if [*map(id, still)] != [*map(id, self._still)]:
            self._still = still  # kept, so that no other object takes an id
            parts = self.chain.parts(self.forces, LIVE_ZERO, self.celsius)
            self._made = _conducting(with_faults(parts, self.faults))
        share = self.loop_amps() / LIVE_ZERO  # only the current moves with the filters
        return [
            part._replace(amps=part.amps * share)
            if part.name == LOOP_CURRENT and isinstance(part, Element)
            else part
            for part in self._made
        ]

    def take(self, point: Point, seconds: float) -> bool:
        """Let the filters go on for a step whose means are those of `point`.

        Returns whether they have arrived: what is left is far below the transmitter's own step.
        """
        ratio = float(transmitter_ratio(self.chain, point))
        ratio, amps = LOST if math.isnan(ratio) else ratio, point.amp("card burden")
        self._ratio.step(seconds, Drive(ratio))
        self._amps.step(seconds, Drive(amps))
        left = abs(ratio - self._ratio.level()), abs(amps - self._amps.level())
        return left[0] < ARRIVED and left[1] < ARRIVED

    def loop_amps(self) -> float:
        """Return the current that the transmitter sets, in A."""
        return float(self.chain.transmitter.amps(self._ratio.level()))

    def transmitter_ratio(self) -> float:
        """Return what the transmitter's own display shows, in V/V."""
        return self._ratio.level()

    def value(self) -> float:
        """Return what the control system shows, in the plant's unit."""
        return float(self.chain.card.value(self._amps.level()))
