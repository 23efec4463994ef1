"""A weighing chain as what lies on the bench: instruments clip to its nodes, its filters run.

It shows the bench the same face as a single cell (`on_the_bench.CellOnBench`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from simulated_bench.cable import Cable
from simulated_bench.capacitors import Capacitor
from simulated_bench.chain import Chain, ChainCell, LiveChain
from simulated_bench.circuit import CircuitError, Point
from simulated_bench.elements import Element, Fault, Opened, Part, with_faults
from simulated_bench.on_the_bench import room_of
from simulated_bench.papers import CELLS, GRAVITY, described
from simulated_bench.scenario import Scenario, ScenarioError
from simulated_bench.scenario_chain import CardTable, ChainCellTable, ChainTable, TransmitterTable
from simulated_bench.scenario_faults import FaultTable, active_faults, check_added
from simulated_bench.transmitter import InputCard, Transmitter

STEPS_PER_TAU = 5.0
TAUS_TO_REST = 14.0


class ChainOnBench:
    """A chain with the faults of its scenario, and what hands do to it."""

    def __init__(self, scenario: Scenario, seed: int, file: str = "") -> None:
        assert scenario.chain is not None
        self.scenario = scenario
        self.seed = seed
        self.faults = list(scenario.fault)
        self.outer: list[Fault] = []
        self.chain = chain_of(scenario.chain)
        self.live = ChainLife(self.chain, scenario)
        self._lifted: list[str] = []
        self._fitted: dict[str, Element] = {}
        for number, fault in enumerate(self.faults):
            try:
                self._try(fault)
            except CircuitError as error:
                key = f"fault.{number}"
                raise ScenarioError(file or "scenario", key, str(error)) from None
        self.apply(0.0)

    def edges(self) -> list[float]:
        """Return the bench times at which a fault comes or goes."""
        return sorted({t for f in self.faults for t in (f.at, f.until) if t})

    def add(self, fault: FaultTable) -> None:
        """Put one more fault in; raises CircuitError where it names what is not there."""
        self._try(fault)
        check_added(self.faults, fault)
        self.faults.append(fault)

    def apply(self, seconds: float) -> None:
        """Let the faults be what they are at this bench time."""
        now = active_faults(tuple(self.faults), seconds, self.seed)
        self.live.chain.faults = [*now.elements, *(Opened(name) for name in self._lifted)]
        self.live.disturbed()

    def lift(self, element: str, *, lifted: bool) -> None:
        """Lift a wire or a link, or put it back; raises CircuitError for an unknown one."""
        with_faults(self._all_parts(), [Opened(element)])
        if lifted and element not in self._lifted:
            self._lifted.append(element)
        elif not lifted and element in self._lifted:
            self._lifted.remove(element)

    def leads(self) -> tuple[str, ...]:
        """Return every node to which an instrument may be clipped."""
        parts = [*self._all_parts(), *self._fitted.values()]
        nodes = {node for part in parts for node in (part.a, part.b)}
        return tuple(sorted(nodes - {"earth"}))

    def lifted(self) -> tuple[str, ...]:
        """Return what is lifted now: what must be put back."""
        return tuple(self._lifted)

    def fit(self, name: str, one: str, other: str, ohms: float) -> None:
        """Fit a resistor or a link between two terminals; new terminals come with it.

        Raises CircuitError for a name that an element of the chain has, and for one terminal.
        """
        if name in {part.name for part in self._all_parts()}:
            raise CircuitError(f"element: {name!r} is an element of the chain")
        if one == other:
            raise CircuitError(f"between: two different terminals are needed, got {one!r} twice")
        self._fitted[name] = Element(name, one, other, ohms)
        self.live.disturbed()

    def take_off(self, name: str) -> None:
        """Take it off again; nothing where it is not there."""
        self._fitted.pop(name, None)
        self.live.disturbed()

    def fitted(self) -> tuple[str, ...]:
        """Return what is fitted now: what must be taken off again."""
        return tuple(self._fitted)

    def stressed(self, point: Point) -> bool:
        """No test voltage belongs on a chain; what it would break is not simulated."""
        del point
        return False

    def shares(self) -> tuple[float, float]:
        """Return what DC and AC meters see of 1 V: the transmitter may pulse its excitation."""
        transmitter = self.chain.transmitter
        return transmitter.seen_direct(), transmitter.seen_alternating()

    def displays(self) -> Mapping[str, str]:
        """Return what a person reads in the plant."""
        live = self.live.chain
        ratio, amps = live.transmitter_ratio() * 1e3, live.loop_amps() * 1e3
        return {
            "transmitter": f"{ratio:.5f} mV/V {amps:.3f} mA",
            "control-system": f"{live.value():.2f}",
        }

    def parts(self, seconds: float, *, charges: bool) -> list[Part]:
        """Return the chain's elements; it holds no charges that anyone would see."""
        del charges
        return [*self.live.chain.parts(seconds), *self._fitted.values()]

    def take(self, point: Point, seconds: float) -> None:
        """Let the filters go on for a step whose means are those of `point`."""
        if self.live.chain.take(point, seconds):
            self.live.moving_until = self.live.seconds  # nothing to follow until the next change

    def moving(self) -> bool:
        """Whether filters are on their way, so that every step must be solved."""
        return self.live.seconds < self.live.moving_until

    def disturbed(self) -> None:
        """Something has changed on the bench: the filters follow."""
        self.live.disturbed()

    def _all_parts(self) -> list[Part]:
        return self.chain.parts(self.chain.forces(0.0))

    def _try(self, fault: FaultTable) -> None:
        element = fault.element_fault()
        if element is None:
            raise CircuitError(f"a chain knows faults of elements, not of kind {fault.kind}")
        with_faults(self._all_parts(), [element])


class ChainLife:
    """The chain's time: filters, room, loads."""

    def __init__(self, chain: Chain, scenario: Scenario) -> None:
        self.room = room_of(scenario.room)
        self.chain = LiveChain(chain)
        self.chain.celsius = self.room.temperature(0.0).at(0.0)
        self.chain.settle()
        self.seconds = 0.0
        self.moving_until = 0.0
        self.watts = 0.0
        self.newtons = 0.0
        self.capacitors: list[Capacitor] = []
        slowest = max(chain.transmitter.filter_tau_s, chain.card.filter_tau_s, 0.05)
        self._step = max(min(chain.transmitter.filter_tau_s, slowest), 0.05) / STEPS_PER_TAU
        self._to_rest = TAUS_TO_REST * (chain.transmitter.filter_tau_s + chain.card.filter_tau_s)

    def disturbed(self) -> None:
        """Filters are on their way from now on."""
        self.moving_until = self.seconds + self._to_rest

    def load(self, newtons: float, corner: int | None = None) -> None:
        """Put a live load on the vessel."""
        self.newtons = newtons
        self.chain.load(newtons, corner)
        self.disturbed()

    def advance(self, seconds: float) -> None:
        """Let time pass."""
        self.seconds += seconds
        self.chain.celsius = self.room.temperature(self.seconds).at(0.0)

    def next_change(self) -> float | None:
        """Return the seconds to the end of the next step that may be taken at once."""
        knot = self.room.next_knot(self.seconds)
        at = [] if knot is None else [knot - self.seconds]
        if self.seconds < self.moving_until:
            at.append(self._step)
        return min(at, default=None)

    def heated_by(self, point: Point) -> None:
        """Nobody in the plant waits for the cells to warm up."""

    def put_in(self, celsius: float) -> None:
        """The chain has the temperature of the plant."""

    def touch(self, lead: str, volts: float = 3e-6) -> None:
        """A touched clip in the plant is no matter."""


def chain_of(table: ChainTable) -> Chain:
    """Return the chain that a scenario describes."""
    return Chain(
        cells=[_cell(cell) for cell in table.cell],
        transmitter=_transmitter(table.transmitter),
        card=_card(table.card),
        home_run=Cable(length_m=table.home_run_m, area_mm2=table.home_run_mm2),
        sense=table.sense,
        box_insulation_ohms=table.box_insulation_ohms,
        dead_newtons=table.dead_kilograms * GRAVITY,
        corner_share=table.corner_share,
        pipe_share=table.pipe_share,
        pipe_newtons=table.pipe_kilograms * GRAVITY,
    )


def _cell(table: ChainCellTable) -> ChainCell:
    papers = CELLS[table.papers]
    zero = papers.zero_mv_v if table.zero_mv_v is None else table.zero_mv_v
    rated = table.rated_output_mv_v or papers.rated_output_mv_v
    return ChainCell(
        description=described(replace(papers, zero_mv_v=0.0)),
        rated_output=rated * 1e-3,
        zero=zero * 1e-3,
        capacity_newtons=papers.capacity_kg * GRAVITY,
        excitation_trim_ohms=table.excitation_trim_ohms,
        signal_trim_ohms=table.signal_trim_ohms,
        sense_joined=table.sense_joined,
        signal_shunt_ohms=table.signal_shunt_ohms or math.inf,
    )


def _transmitter(table: TransmitterTable) -> Transmitter:
    return Transmitter(
        ratio_at_zero=table.zero_mv_v * 1e-3,
        ratio_at_full=table.full_mv_v * 1e-3,
        gain=table.gain,
        offset=table.offset_mv_v * 1e-3,
        volts=table.volts,
        excitation=table.excitation,
        duty=table.duty,
        filter_tau_s=table.filter_s,
        sense_used=table.sense_used,
        two_wire=table.two_wire,
        forced_amps=None if table.forced_ma is None else table.forced_ma * 1e-3,
        common_mode=table.common_mode_uv_v * 1e-6,
        earth_ohms=table.excitation_earth_ohms,
    )


def _card(table: CardTable) -> InputCard:
    return InputCard(
        burden_ohms=table.burden_ohms,
        supply_volts=table.supply_volts,
        lower=table.lower,
        upper=table.upper,
        zero_amps=table.zero_ma * 1e-3,
        full_amps=table.full_ma * 1e-3,
        gain=table.gain,
        offset_amps=table.offset_ma * 1e-3,
        filter_tau_s=table.filter_s,
        forced_value=table.forced_value,
    )
