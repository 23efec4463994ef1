"""Weighing chains drawn at random with one fault or none, and read as a technician reads them.

The readings come from the simulated bench's general circuit (every arm, lead and cable
conductor is an element; a fault changes an element), not from the analysis's own equations.
All figures are drawn; nothing here stands for a real plant.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Unpack

import numpy as np

from acq.analysis.chain import Loop, Transmitter
from acq.analysis.chain_papers import (
    Allowed,
    Block,
    Chain,
    ChainCell,
    ChainReadings,
    Kind,
    LoadState,
    Place,
    Row,
    Tolerances,
)
from simulated_bench.circuit import Circuit

Rng = np.random.Generator
OPEN = math.inf


def _allowed(value: float) -> Allowed:
    return Allowed(value, "campaign")


TOLERANCES = Tolerances(
    cell_zero=_allowed(0.01),
    cell_output=_allowed(0.001),
    cell_ohms=_allowed(1.0),
    sharing=_allowed(0.03),
    mechanics=_allowed(0.002),
    box=_allowed(0.0005),
    cable=_allowed(0.0005),
    transmitter=_allowed(0.0005),
    loop=_allowed(0.001),
    control=_allowed(0.001),
    excitation=_allowed(0.05),
)


@dataclass
class Physical:
    """What stands in the plant: all that a fault may change."""

    arms: list[float]
    compensation: list[tuple[float, float]]
    capacity: list[float]
    rated: list[float]
    zero: list[float]
    share: list[float]
    corner: list[list[float]]  # live load of each corner state on each cell
    dead: float
    conductor: float
    sensed: bool
    lead: float = 0.1
    wires: dict[tuple[int, str], float] = field(default_factory=dict)  # cell wire -> added ohms
    terminals: dict[tuple[int, str], float] = field(default_factory=dict)  # box terminal -> ohms
    bridges: list[tuple[str, str, float]] = field(default_factory=list)  # leaks, shorts: node, node
    polarity: dict[int, float] = field(default_factory=dict)
    excitation: float = 10.0
    signal_emf: float = 0.0
    cable_signal: float = 0.0
    sense_linked_at_transmitter: bool = False
    transmitter_uses_sense: bool = True
    live_gain: float = 1.0
    binding: dict[int, float] = field(default_factory=dict)
    extra_force: float = 0.0
    send: Callable[[float], float] = lambda part: part
    stuck: float | None = None
    loop_gain: float = 1.0
    loop_offset: float = 0.0
    loop_limit: float = math.inf
    show: Callable[[float], float] = lambda amperes: amperes


@dataclass
class Drawn:
    """A drawn chain: its papers, its plant, and what is wrong with it."""

    chain: Chain
    plant: Physical
    live: float
    corner_load: float
    block: Block | None = None
    cell: int | None = None
    fault: str = "none"


def draw_sound(rng: Rng) -> Drawn:
    """A chain with every block inside its tolerance, and its papers."""
    count = int(rng.choice([3, 4, 4, 4, 6]))
    arm = float(rng.choice([350.0, 350.0, 700.0, 1000.0]))
    capacity = float(rng.choice([100.0, 500.0, 2000.0, 5000.0]))
    rated = float(rng.choice([2e-3, 2e-3, 3e-3]))
    use = rng.uniform(0.35, 0.6)
    live = round(count * capacity * use, -1)
    dead = float(live * rng.uniform(0.2, 0.6))
    shares = rng.dirichlet(np.full(count, 150.0))
    physical = _plant(rng, count, arm, capacity, rated, shares, dead)
    cells = []
    for i in range(count):
        first, second = physical.compensation[i]
        input_ohms = physical.arms[i] + first + second + 2 * physical.lead
        cells.append(
            ChainCell(
                name=f"X-{i + 1}",
                capacity=capacity,
                rated_output=physical.rated[i] * (1 + _cut(rng) * TOLERANCES.cell_output.value),
                zero=physical.zero[i] + _cut(rng) * TOLERANCES.cell_zero.value * rated,
                input_ohms=input_ohms + _cut(rng),
                output_ohms=physical.arms[i] + 2 * physical.lead + _cut(rng),
                share=float(shares[i] * (1 + 0.01 * rng.standard_normal())),
            )
        )
    total = sum(cell.share for cell in cells)
    cells = [replace(cell, share=cell.share / total) for cell in cells]
    chain = _papers(rng, physical, cells, dead, live)
    corner_load = live * 0.2
    physical.corner = [_corner(rng, count, i, corner_load) for i in range(count)]
    _sound_electronics(rng, physical, chain)
    return Drawn(chain, physical, live, corner_load)


def _cut(rng: Rng) -> float:
    """A third of a tolerance as one deviation, never beyond the tolerance."""
    return float(np.clip(rng.standard_normal() / 3.0, -1.0, 1.0))


def _plant(
    rng: Rng, count: int, arm: float, capacity: float, rated: float, shares: Floats, dead: float
) -> Physical:
    compensation = []
    total = 0.1 * arm
    part = 0.5 if rng.random() < 0.7 else 1.0  # one type of cell in one chain
    for _ in range(count):
        compensation.append((total * part, total * (1 - part)))
    return Physical(
        arms=[arm * (1 + 0.0005 * rng.standard_normal()) for _ in range(count)],
        compensation=compensation,
        capacity=[capacity] * count,
        rated=[rated * (1 + 0.0005 * rng.standard_normal()) for _ in range(count)],
        zero=[rated * 0.005 * rng.standard_normal() for _ in range(count)],
        share=list(shares),
        corner=[],
        dead=dead,
        conductor=float(rng.uniform(0.1, 2.0)),
        sensed=bool(rng.random() < 0.75),
    )


def _corner(rng: Rng, count: int, at: int, load: float) -> list[float]:
    own = 0.7 + 0.06 * rng.standard_normal()
    others = rng.dirichlet(np.full(count - 1, 60.0)) * (1 - own)
    parts = list(others)
    parts.insert(at, own)
    return [load * part for part in parts]


def _papers(rng: Rng, plant: Physical, cells: list[ChainCell], dead: float, live: float) -> Chain:
    """Papers whose transmitter range was set with the sound plant as it was commissioned."""
    trial = Chain(
        name="drawn",
        cells=tuple(cells),
        conductor_ohms=plant.conductor * (1 + 0.005 * _cut(rng)),
        sensed=plant.sensed,
        transmitter=Transmitter(0.0, 1e-3),
        excitation_volts=10.0,
        regulated_at_sense=False,
        loop=Loop(24.0, 350.0, 10.0),
        lower=0.0,
        upper=live,
        digit=live / 5000,
        dead_load=dead * (1 + 0.003 * rng.standard_normal()),
        u_dead_load=0.005 * dead,
        tolerances=TOLERANCES,
        corner_fraction=0.7,
        u_corner_fraction=0.1,
    )
    at = [_Wired(plant, [s * (dead + load) for s in plant.share]).ratio() for load in (0.0, live)]
    span = at[1] - at[0]
    return replace(
        trial,
        transmitter=Transmitter(
            at[0] + 0.0002 * span * rng.standard_normal(),
            at[1] + 0.0002 * span * rng.standard_normal(),
        ),
    )


def _sound_electronics(rng: Rng, plant: Physical, chain: Chain) -> None:
    t = chain.tolerances
    gain, zero = (1 + t.transmitter.value * _cut(rng) / 1.5, t.transmitter.value * _cut(rng) / 1.5)
    plant.send = lambda part: part * gain + zero
    plant.loop_gain = 1 + t.loop.value * _cut(rng) / 1.5
    plant.loop_offset = t.loop.value * 0.016 * _cut(rng) / 1.5
    slope, shift = (1 + t.control.value * _cut(rng) / 1.5, t.control.value * _cut(rng) / 1.5)
    lower, span = chain.lower, chain.span_shown
    plant.show = lambda amperes: lower + span * (slope * (amperes - 4e-3) / 16e-3 + shift)
    plant.live_gain = 1 + t.mechanics.value * _cut(rng) / 1.5
    plant.extra_force = t.mechanics.value * span * _cut(rng) / 1.5
    plant.excitation = 10.0 * (1 + 0.02 * _cut(rng))


Floats = np.ndarray[tuple[int, ...], np.dtype[np.float64]]


class _Wired:
    """The plant as one circuit under given loads, with cells lifted or not."""

    def __init__(
        self, plant: Physical, loads: list[float], lifted: int | None = None, alone: bool = False
    ) -> None:
        self.plant, self.lifted = plant, lifted
        c = self.circuit = Circuit()
        c.source("excitation", "T+", "T-", 0.01, volts=plant.excitation, amps_max=1.0, emf_max=24.0)
        c.add("cable Ex+", "T+", "J+", plant.conductor)
        c.add("cable Ex-", "J-", "T-", plant.conductor)
        linked = plant.sense_linked_at_transmitter or not plant.sensed
        c.add("sense+", "T+" if linked else "J+", "Se+", plant.conductor)
        c.add("sense-", "T-" if linked else "J-", "Se-", plant.conductor)
        c.add("sense input", "Se+", "Se-", 1e7)
        signal = OPEN if alone else plant.conductor + plant.cable_signal
        c.add("cable S+", "Jp", "Sp", signal, emf=plant.signal_emf)
        c.add("cable S-", "Jm", "Sm", plant.conductor)
        c.add("signal input", "Sp", "Sm", 1e9)
        c.add("signal bias", "Sm", "T-", 1e9)
        c.add("signal bias +", "Sp", "T-", 1e9)
        c.add("meter bias +", "Jp", "J-", 1e10)
        c.add("meter bias -", "Jm", "J-", 1e10)
        for i, load in enumerate(loads):
            self._cell(i, load)
        for number, (a, b, ohms) in enumerate(plant.bridges):
            if not (alone and a.startswith("S")):
                c.add(f"bridge {number}", a, b, ohms)
        self.point = c.solve()

    def _cell(self, i: int, load: float) -> None:
        plant, c = self.plant, self.circuit
        arm = plant.arms[i]
        ratio = (arm + sum(plant.compensation[i]) + 2 * plant.lead) / arm
        change = plant.polarity.get(i, 1.0) * plant.rated[i] * load / plant.capacity[i] * ratio
        offset = plant.polarity.get(i, 1.0) * 4.0 * plant.zero[i] * ratio
        n = {name: f"{name}{i}" for name in ("X+", "X-", "t", "n", "Y+", "Y-", "P", "M", "E+")}
        first, second = plant.compensation[i]

        def wire(name: str) -> float:
            return plant.lead + plant.wires.get((i, name), 0.0)

        def terminal(name: str) -> float:
            return 1e-3 + plant.terminals.get((i, name), 0.0)

        out = OPEN if self.lifted == i else 0.0
        c.add(f"box Ex+ {i}", "J+", n["E+"], terminal("Ex+"))
        c.add(f"wire Ex+ {i}", n["E+"], n["X+"], wire("Ex+"))
        c.add(f"wire Ex- {i}", n["X-"], "J-", wire("Ex-") + terminal("Ex-"))
        c.add(f"comp+ {i}", n["X+"], n["t"], first + 1e-6)
        c.add(f"comp- {i}", n["n"], n["X-"], second + 1e-6)
        c.add(f"A {i}", n["t"], n["Y+"], arm * (1 - change - offset))
        c.add(f"B {i}", n["t"], n["Y-"], arm * (1 + change))
        c.add(f"C {i}", n["Y+"], n["n"], arm * (1 + change))
        c.add(f"D {i}", n["Y-"], n["n"], arm * (1 - change))
        c.add(f"wire S+ {i}", n["Y+"], n["P"], wire("S+"))
        c.add(f"wire S- {i}", n["Y-"], n["M"], wire("S-"))
        c.add(f"box S+ {i}", n["P"], "Jp", terminal("S+") + out)
        c.add(f"box S- {i}", n["M"], "Jm", terminal("S-") + out)
        c.add(f"meter {i}", n["P"], n["M"], 1e10)
        c.add(f"stray {i}", n["P"], "J-", 1e11)
        c.add(f"stray- {i}", n["M"], "J-", 1e11)

    def volt(self, a: str, b: str) -> float:
        found = self.point.volt(a, b)
        return math.nan if found is None else found

    def ratio(self) -> float:
        """What the transmitter hears."""
        uses = self.plant.transmitter_uses_sense and self.plant.sensed
        return self.volt("Sp", "Sm") / (self.volt("Se+", "Se-") if uses else self.volt("T+", "T-"))


@dataclass
class Instruments:
    """Errors of one visit's instruments: a gain each, noise, and the stated uncertainty."""

    ratio_gain: float
    source_gain: float
    meter_gain: float
    current_source_gain: float
    rng: Rng

    @classmethod
    def drawn(cls, rng: Rng) -> Instruments:
        ratio, source, meter, current = (float(x) for x in rng.standard_normal(4))
        return cls(1 + 3e-5 * ratio, 1 + 5e-5 * source, 1 + 1e-4 * meter, 1 + 5e-5 * current, rng)

    def ratio(self, kind: Kind, value: float, **where: Unpack[Place]) -> Row:
        u = 3e-5 * abs(value) + 1e-7
        seen = value * self.ratio_gain + 5e-8 * self.rng.standard_normal()
        return Row(kind=kind, value=None if math.isnan(value) else seen, u=u, **where)

    def share(self, kind: Kind, value: float, **where: Unpack[Place]) -> Row:
        return Row(
            kind=kind, value=value * (1 + 3e-5 * self.rng.standard_normal()), u=3e-5, **where
        )

    def current(self, kind: Kind, value: float, **where: Unpack[Place]) -> Row:
        seen = value * self.meter_gain + 1e-6 * self.rng.standard_normal()
        return Row(kind=kind, value=seen, u=1e-4 * abs(value) + 2e-6, **where)


def read(drawn: Drawn, rng: Rng) -> ChainReadings:
    """Read the whole chain: as found, a known load, the corners, feeds at I3, I4, I6, ohms."""
    return _Visit(drawn, rng).all()


class _Visit:
    def __init__(self, drawn: Drawn, rng: Rng) -> None:
        self.d, self.plant, self.chain = drawn, drawn.plant, drawn.chain
        self.rng, self.tools = rng, Instruments.drawn(rng)
        self.rows: list[Row] = []

    def all(self) -> ChainReadings:
        plant, live, count = self.plant, self.d.live, len(self.chain.cells)
        states = {
            "as found": LoadState(name="as found", live=0.0, u_live=0.0002 * live),
            "loaded": LoadState(name="loaded", live=0.8 * live, u_live=0.0003 * live),
        }
        for i in range(count):
            name = f"corner {i + 1}"
            u = 0.0003 * self.d.corner_load
            states[name] = LoadState(name=name, live=self.d.corner_load, u_live=u, corner=i)
        for name, state in states.items():
            self._state(name, self._loads(state), whole=state.corner is None)
        self._feeds()
        self._ohms()
        del plant
        return ChainReadings(states=states, rows=tuple(self.rows))

    def _loads(self, state: LoadState) -> list[float]:
        plant = self.plant
        uneven = 1 + 0.01 * self.rng.standard_normal(len(plant.share))
        live = [s * state.live * k for s, k in zip(plant.share, uneven, strict=True)]
        if state.corner is not None:
            live = plant.corner[state.corner]
        elif state.live:
            live = [x * state.live / sum(live) for x in live]
        return [
            share * (plant.dead + plant.extra_force)
            + x * plant.live_gain * (1 - plant.binding.get(i, 0.0))
            for i, (share, x) in enumerate(zip(plant.share, live, strict=True))
        ]

    def _state(self, name: str, loads: list[float], *, whole: bool) -> None:
        tools, wired = self.tools, _Wired(self.plant, loads)
        box = wired.volt("J+", "J-")
        at_box = wired.volt("Jp", "Jm") / box
        self.rows.append(tools.ratio(Kind.BOX_RATIO, at_box, state=name))
        sent, arrived, shown = self._onwards(wired.ratio())
        self.rows.append(Row(kind=Kind.SHOWN, value=shown, u=0.29 * self.chain.digit, state=name))
        if not whole:
            return
        if name == "as found":
            self._excitation(wired, box)
        for i in range(len(loads)):
            one = _Wired(self.plant, loads, lifted=i)
            own = one.volt(f"P{i}", f"M{i}") / one.volt("J+", "J-")
            self.rows.append(tools.ratio(Kind.CELL_RATIO, own, state=name, cell=i))
        alone = _Wired(self.plant, loads, alone=True)
        sum_ = alone.volt("Jp", "Jm") / alone.volt("J+", "J-")
        self.rows.append(tools.ratio(Kind.BOX_ALONE, sum_, state=name))
        reference = ("Se+", "Se-") if self.plant.sensed else ("T+", "T-")
        heard = wired.volt("Sp", "Sm") / wired.volt(*reference)
        self.rows.append(tools.ratio(Kind.TERMINAL_RATIO, heard, state=name))
        self.rows.append(tools.current(Kind.SENT, sent, state=name))
        self.rows.append(tools.current(Kind.RECEIVED, arrived, state=name))

    def _excitation(self, wired: _Wired, box: float) -> None:
        tools, at_transmitter = self.tools, wired.volt("T+", "T-")
        volts = at_transmitter * (1 + 3e-5 * self.rng.standard_normal())
        self.rows.append(Row(kind=Kind.EXCITATION, value=volts, u=3e-4))
        self.rows.append(tools.share(Kind.BOX_SHARE, box / at_transmitter))
        if self.plant.sensed:
            self.rows.append(tools.share(Kind.SENSE, wired.volt("Se+", "Se-") / box))
        for i in range(len(self.chain.cells)):
            share = wired.volt(f"E+{i}", "J-") / box
            self.rows.append(tools.share(Kind.CELL_SHARE, share, cell=i))

    def _onwards(self, ratio: float) -> tuple[float, float, float]:
        plant = self.plant
        sent = min(self._sent(ratio), plant.loop_limit)
        arrived = sent * plant.loop_gain + plant.loop_offset
        return sent, arrived, self._shown(arrived)

    def _shown(self, amperes: float) -> float:
        digit = self.chain.digit
        return round(self.plant.show(amperes) / digit) * digit

    def _sent(self, ratio: float) -> float:
        if self.plant.stuck is not None:
            return self.plant.stuck
        transmitter = self.chain.transmitter
        part = (ratio - transmitter.ratio_at_4) / self.chain.span_ratio
        if math.isnan(part) or not -3.0 < part < 3.0:
            return 21.0e-3 if math.isnan(part) or part > 0 else 3.6e-3
        amperes = 4e-3 + 16e-3 * self.plant.send(part)
        amperes = round(amperes / 0.25e-6) * 0.25e-6
        return min(max(amperes, 3.8e-3), 20.5e-3)

    def _feeds(self) -> None:
        chain, tools = self.chain, self.tools
        low, span = chain.transmitter.ratio_at_4, chain.span_ratio
        for part in (0.0, 0.25, 0.5, 0.75, 1.0):
            fed = low + part * span
            true = fed * tools.source_gain
            sent = min(self._sent(true), self.plant.loop_limit)
            row = tools.current(Kind.FED_TERMINALS_SENT, sent, fed=fed)
            slope = 16e-3 / abs(span)
            self.rows.append(replace(row, u=math.hypot(row.u, slope * 5e-5 * abs(fed))))
        for part in (0.0, 0.5, 1.0):
            fed = low + part * span
            self._fed_at_box(fed, fed * tools.source_gain, 16e-3 / abs(span))
        for fed in (4e-3, 8e-3, 12e-3, 16e-3, 20e-3):
            shown = self._shown(fed * tools.current_source_gain)
            slope = abs(chain.span_shown) / 16e-3
            u = math.hypot(0.29 * chain.digit, slope * 1e-4 * fed)
            self.rows.append(Row(kind=Kind.FED_CURRENT_SHOWN, value=shown, u=u, fed=fed))

    def _fed_at_box(self, fed: float, true: float, slope: float) -> None:
        """Source and load resistors in place of the cells, at the box end of the home run."""
        plant, c = self.plant, Circuit()
        ohms = 1.0 / sum(1.0 / cell.input_ohms for cell in self.chain.cells)
        c.source("excitation", "T+", "T-", 0.01, volts=plant.excitation, amps_max=1.0, emf_max=24.0)
        c.add("cable Ex+", "T+", "J+", plant.conductor)
        c.add("cable Ex-", "J-", "T-", plant.conductor)
        linked = plant.sense_linked_at_transmitter or not plant.sensed
        c.add("sense+", "T+" if linked else "J+", "Se+", plant.conductor)
        c.add("sense-", "T-" if linked else "J-", "Se-", plant.conductor)
        c.add("sense input", "Se+", "Se-", 1e7)
        c.add("half +", "J+", "Jm", ohms / 2)
        c.add("half -", "Jm", "J-", ohms / 2)
        volts = c.solve().volt("J+", "J-") or 0.0
        c.add("source", "Jp", "Jm", 1.0, emf=true * volts)
        signal = plant.conductor + plant.cable_signal
        c.add("cable S+", "Jp", "Sp", signal, emf=plant.signal_emf)
        c.add("cable S-", "Jm", "Sm", plant.conductor)
        c.add("signal input", "Sp", "Sm", 1e9)
        c.add("signal bias", "Sm", "T-", 1e9)
        c.add("signal bias +", "Sp", "T-", 1e9)
        point = c.solve()
        uses = plant.transmitter_uses_sense and plant.sensed
        reference = point.volt("Se+", "Se-") if uses else point.volt("T+", "T-")
        signal_volts = point.volt("Sp", "Sm")
        heard = math.nan if signal_volts is None else signal_volts / (reference or 1.0)
        sent = min(self._sent(heard), plant.loop_limit)
        row = self.tools.current(Kind.FED_BOX_SENT, sent, fed=fed)
        self.rows.append(replace(row, u=math.hypot(row.u, slope * 5e-5 * abs(fed))))

    def _ohms(self) -> None:
        for i in range(len(self.chain.cells)):
            for kind, ends in (
                (Kind.INPUT_OHMS, (f"E+{i}", "J-")),
                (Kind.OUTPUT_OHMS, (f"P{i}", f"M{i}")),
            ):
                ohms = self._cell_ohms(i, ends)
                seen = None if ohms is None else ohms + 0.02 * self.rng.standard_normal()
                self.rows.append(Row(kind=kind, value=seen, u=0.05, cell=i))

    def _cell_ohms(self, i: int, ends: tuple[str, str]) -> float | None:
        """Two-lead resistance of the cell with its cable out of the box; None beyond 1 Mohm."""
        alone = replace(self.plant, terminals={}, conductor=1.0)
        wired = _Wired.__new__(_Wired)
        wired.plant, wired.lifted = alone, i
        wired.circuit = Circuit()
        wired._cell(i, 0.0)
        own = (f"X+{i}", f"X-{i}", f"Y+{i}", f"Y-{i}", f"P{i}", f"M{i}")
        for number, (a, b, ohms) in enumerate(self.plant.bridges):
            if a in own and (b in own or b in ("J+", "J-")):
                wired.circuit.add(f"bridge {number}", a, b if b != "J+" else f"E+{i}", ohms)
        wired.circuit.set(f"box Ex+ {i}", ohms=OPEN)
        wired.circuit.add("ohm meter", ends[0], ends[1], 1e9, amps=-1e-3)
        found = wired.circuit.solve().volt(*ends)
        if found is None or abs(found) > 1e3:
            return None
        return found / 1e-3
