"""A load cell as it lies on the bench: its elements at every instant, and its slow states.

    cell = LoadCell(description, Response(capacity_newtons=4905.9, rated_output=2e-3), room)
    cell.load(2452.0)
    parts = cell.parts(0.2)          # means over the next 200 ms, for the circuit
    cell.advance(0.2)                # everything slow goes on
    cell.heated_by(point)            # after a change: the excitation that warms it

Time is handed in by whoever moves it; every step may have any length. Sudden changes within a
step (an intermittent joint, a bend in the room's profile) are to be asked for by `next_change`
and made the end of a step.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from simulated_bench.capacitors import Capacitor, absorption
from simulated_bench.cell import (
    CONDUCTORS,
    CellDescription,
    CellState,
    bridge_prefix,
    load_changes,
)
from simulated_bench.circuit import Point
from simulated_bench.elements import (
    Added,
    Element,
    Fault,
    Leak,
    Part,
    Scaled,
    SeriesEmf,
    build,
    changed_parts,
    inserted_parts,
    with_faults,
)
from simulated_bench.noise import Spikes, Telegraph, key, normals, uniforms
from simulated_bench.position import at_position
from simulated_bench.response import Mechanics, Response
from simulated_bench.rig import Rig
from simulated_bench.room import Room
from simulated_bench.states import Drive, Modes
from simulated_bench.wetness import Moisture, Wetness

STRENGTH_CHANNEL = 4 << 32
TOUCH_TAU_S = 100.0
"""A warmed joint's EMF decays in 60 to 180 s: common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Thermal:
    """Time constants in s and rises in K per W of a cell's body and of its gauges.

    `joint_volts_per_kelvin` is the EMF of a conductor's joints per kelvin of body above room.
    """

    body_tau_s: float = 1200.0
    body_kelvin_per_watt: float = 2.0
    gauge_tau_s: float = 5.0
    gauge_kelvin_per_watt: float = 15.0
    joint_volts_per_kelvin: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Strength:
    """What the gauges' backing stands between bridge and body, in V; each cell has its own.

    Beyond it the backing is pierced for good: a low leak at a gauge, and its arm changed.
    Between 250 and 500 V some cells fail, at 50 V none: common practice, no source.
    """

    weakest_volts: float = 180.0
    strongest_volts: float = 900.0
    ohms_after: float = 2e4
    arm_factor: float = 1.03

    def of(self, draw: float) -> float:
        """Return one cell's own strength for a draw from 0 to 1."""
        return float(self.weakest_volts * (self.strongest_volts / self.weakest_volts) ** draw)


@dataclass(frozen=True, slots=True)
class Intermittent:
    """An element that has `ohms` more while its telegraph process says "broken"."""

    element: str
    ohms: float
    process: Telegraph


class LoadCell:
    """One described cell with everything that changes in it."""

    def __init__(
        self,
        description: CellDescription,
        response: Response,
        room: Room | None = None,
        *,
        thermal: Thermal | None = None,
        rig: Rig | None = None,
        faults: Sequence[Fault] = (),
        wetness: Wetness | None = None,
        intermittent: Sequence[Intermittent] = (),
        spikes: Spikes | None = None,
        strength: Strength | None = None,
        body_celsius: float | None = None,
        seed: int = 0,
        name: str = "",
        position: int = 1,
    ) -> None:
        self.position = position  # of the fixture that it lies in
        self.description = description
        self.room = room or Room()
        self.thermal = thermal or Thermal()
        self.rig = rig or Rig()
        self.mechanics = Mechanics(response)
        self._key = key(seed, f"cell {name}")
        self.strength = strength or Strength()
        self.stands_volts = self.strength.of(uniforms(self._key, 0, STRENGTH_CHANNEL)[0])
        self.pierced = False
        self._hole: tuple[Fault, ...] = (
            Leak("pad S+", "housing", self.strength.ohms_after),
            Scaled("arm A", self.strength.arm_factor),
        )
        self.moisture = Moisture(wetness) if wetness else None
        self.intermittent = list(intermittent)
        self.spikes = spikes
        self.seconds = 0.0
        self.watts = 0.0
        self.capacitors: list[Capacitor] = []
        self._scale, self._resting = _output_per_unbalance(description)
        self._ways_in = self._conductors()
        start = self.room.temperature(0.0).at(0.0) if body_celsius is None else body_celsius
        self._body = Modes([-1 / self.thermal.body_tau_s], value=start)
        self._gauge = Modes([-1 / self.thermal.gauge_tau_s])
        self._warm_up = Modes([-1 / response.warm_up_tau_s])
        self._touched: dict[str, float] = {}
        self._absorbing = self._absorption()
        self.faults: list[Fault] = []
        self.put_faults(faults)

    # ---- what hands and scenarios do

    def load(self, newtons: float, corner: int | None = None) -> None:
        """Load the cell with another force; each seating has its own small deviation.

        At a corner of the platform (from 1) the spring answers as to a slightly other force.
        """
        draw = normals(self._key, round(self.seconds * 1e9))[0]
        self.mechanics.repeats = self.mechanics.response.repeatability * draw
        off = self.mechanics.response.off_centre
        more = off[corner - 1] if corner is not None and corner <= len(off) else 0.0
        self.rig.apply(newtons * (1 + more))

    def put_faults(self, faults: Sequence[Fault]) -> None:
        """Replace the faults in place. Raises CircuitError for unknown elements and nodes."""
        parts: list[Part] = [*self.description.parts()]
        with_faults(parts, faults)
        self.faults = [fault for fault in faults if fault not in self._hole]
        if self.pierced:
            self.faults += self._hole
        self._leaks = changed_parts(self.description.leak_parts(), self.faults)
        self._inserted = inserted_parts(self.faults, {n for p in parts for n in (p.a, p.b)})

    def become(self, response: Response) -> None:
        """Answer to load differently from now on: a crack, a gauge that came loose."""
        self.mechanics.become(response)

    def touch(self, lead: str, volts: float = 3e-6) -> None:
        """Warm the joint of a lead with a hand: an EMF that decays."""
        self._touched[lead] = self._touched.get(lead, 0.0) + volts

    def put_in(self, celsius: float) -> None:
        """The body comes from elsewhere with this temperature (a cold van, an oven)."""
        self._body.values = [complex(celsius)]

    def heated_by(self, point: Point) -> None:
        """Take the power that the body takes in through its conductors, as it is with its faults.

        P is the sum of V I over each bridge's pads, V against pad Ex-: arms, compensation, what
        bridges or interrupts them and an amplifier inside warm the cell alike.
        """
        watts = 0.0
        for pad, reference, conductor in self._ways_in:
            watts -= (point.volt(pad, reference) or 0.0) * point.amp(conductor)
        self.watts = watts

    def stressed_by(self, point: Point) -> bool:
        """Look at the voltages across the insulation; return whether it has just been pierced."""
        across = [
            abs(point.volt(self._at(pad), self._at(body)) or 0.0)
            for pad in ("pad Ex+", "pad Ex-", "pad S+", "pad S-")
            for body in ("housing", "pad shield")
            if self._at(pad) in point.topology.nodes
        ]
        if self.pierced or max(across) <= self.stands_volts:
            return False
        self.pierced = True
        self.put_faults(self.faults)
        return True

    def _conductors(self) -> list[tuple[str, str, str]]:
        """Pad, pad Ex- of the same bridge and conductor between them of every lead but that one."""
        names = {part.name for part in self.description.conducting_parts()}
        ways = []
        for number in range(len(self.description.bridges)):
            at = bridge_prefix(number)
            for lead, pad in CONDUCTORS.items():
                name = f"{at}conductor {lead}"
                if name in names and pad != "pad Ex-":
                    way = f"{at}{pad}", f"{at}pad Ex-", name
                    ways.append((self._at(way[0]), self._at(way[1]), self._at(way[2])))
        return ways

    def _at(self, name: str) -> str:
        return at_position(self.position, name)

    # ---- time

    def advance(self, seconds: float) -> None:
        """Let everything slow go on by any time."""
        room, humidity = self.room.temperature(self.seconds), self.room.humidity(self.seconds)
        self.mechanics.advance(seconds, self.rig.load, self.rig.swing)
        self._body.step(seconds, self._heated(room))
        self._gauge.step(seconds, Drive(self.watts * self.thermal.gauge_kelvin_per_watt))
        self._warm_up.step(seconds, Drive(self.watts))
        if self.moisture:
            self.moisture.advance(seconds, humidity, self.body_celsius)
        decay = math.exp(-seconds / TOUCH_TAU_S)
        self._touched = {k: v * decay for k, v in self._touched.items() if abs(v) > 1e-12}
        self.rig.advance(seconds)
        self.seconds += seconds

    def next_change(self) -> float | None:
        """Return the seconds to the next sudden change inside the cell or its room."""
        at = [x.process.next_change(self.seconds) for x in self.intermittent]
        knot = self.room.next_knot(self.seconds)
        at += [] if knot is None else [knot]
        return min(at) - self.seconds if at else None

    @property
    def body_celsius(self) -> float:
        """The temperature of the body now."""
        return self._body.level()

    # ---- the circuit

    def parts(self, seconds: float = 0.0, *, charges: bool = True) -> list[Part]:
        """Return all elements at their means over the next seconds, always in one order.

        See `groups`.
        """
        moving, still, more = self.groups(seconds, charges=charges)
        return [*moving, *still, *more]

    def groups(self, seconds: float, *, charges: bool) -> tuple[list[Part], list[Part], list[Part]]:
        """Return the elements that move, those that stay until a fault comes, and the rest.

        Those that hold `capacitors` come along only with `charges`: a circuit that does not
        move them (a TimedCircuit does) would take each for a short.
        """
        room = self.room.temperature(self.seconds)
        outside = room.mean(seconds)
        body = self._body.mean_level(seconds, self._heated(room))
        shares = self.mechanics.response.shares
        changes = load_changes(self._unbalance(seconds, body, outside), shares)
        state = CellState(
            changes=(changes,) * len(self.description.bridges),
            body_celsius=body,
            gauge_celsius=body + self._gauge.mean_level(seconds, self._local()),
            cable_celsius=outside,
            joint_volts=self._joints(body - outside),
        )
        moving = changed_parts(
            self.description.conducting_parts(state), [*self.faults, *self._moving_faults(seconds)]
        )
        wet = self.moisture.parts(body) if self.moisture else ()
        held = self._absorbing if charges else ()
        return moving, self._leaks, [*held, *self._inserted, *wet]

    def _unbalance(self, seconds: float, body: float, outside: float) -> float:
        """The relative change of the arms that gives the output the cell should have now."""
        response = self.mechanics.response
        warmer = body - self.description.reference_celsius
        span = 1 + response.span_per_kelvin * warmer
        span += response.span_per_watt * (self.watts - response.reference_watts)
        load = self.mechanics.output(seconds, self.rig.load, self.rig.swing)
        zero = response.own_weight + response.zero_per_kelvin * warmer
        zero += response.zero_per_gradient_kelvin * (outside - body)
        warm = self._warm_up.mean_level(seconds, Drive(self.watts))
        zero += response.warm_up_per_watt * warm
        ratio = response.rated_output * (load * span + zero)
        if response.zero is not None:
            ratio += response.zero - self._resting
        return ratio / self._scale * self._compensated(warmer)

    def _compensated(self, warmer: float) -> float:
        """The gauges grow more sensitive by what the compensation legs take away.

        Taken from the legs as described: a leg that fails takes the compensation with it.
        """
        bridge = self.description.bridges[0]
        legs = sum(float(leg) for leg in bridge.compensation)
        return 1 + bridge.compensation_per_kelvin * warmer * legs / self._nominal_ohms()

    def _nominal_ohms(self) -> float:
        bridge = self.description.bridges[0]
        arms = [float(arm) for arm in bridge.arms.values()]
        halves = sum(arms) / (1 if bridge.half else 4)
        return halves + sum(float(leg) for leg in bridge.compensation)

    def _heated(self, room: Drive) -> Drive:
        return room + Drive(self.watts * self.thermal.body_kelvin_per_watt)

    def _local(self) -> Drive:
        return Drive(self.watts * self.thermal.gauge_kelvin_per_watt)

    def _joints(self, warmer: float) -> dict[str, float]:
        volts = {k: v * warmer for k, v in self.thermal.joint_volts_per_kelvin.items()}
        for lead, touched in self._touched.items():
            volts[lead] = volts.get(lead, 0.0) + touched
        return volts

    def _moving_faults(self, seconds: float) -> list[Fault]:
        faults: list[Fault] = []
        for joint in self.intermittent:
            broken = joint.process.broken_share(self.seconds, seconds)
            faults += [Added(joint.element, joint.ohms * broken)] if broken else []
        if self.spikes and seconds:
            volts = self.spikes.mean(self.seconds, seconds)
            faults += [SeriesEmf("conductor S+", volts)] if volts else []
        return faults

    def _absorption(self) -> list[Element]:
        """The cable's capacitance and the absorption of its insulation, lumped at pad Ex-."""
        cable = self.description.cable
        if not cable.farads() or not cable.absorption:
            return []
        parts = [Element("cable capacitance", "pad Ex-", "pad shield", 1.0)]
        self.capacitors.append(Capacitor(self._at("cable capacitance"), cable.farads()))
        for number, (ohms, farads) in enumerate(absorption(cable.farads(), cable.absorption)):
            name = f"absorption {number + 1}"
            parts.append(Element(name, "pad Ex-", "pad shield", ohms))
            self.capacitors.append(Capacitor(self._at(name), farads))
        return parts


def _output_per_unbalance(description: CellDescription) -> tuple[float, float]:
    """Return the output in V/V per unit of unbalance, and the output without load.

    Referred to the voltage that the cell's papers refer to: at the pads for 6 wires, at the
    end of the cable for 4. By the circuit itself, at the reference temperature.
    """
    celsius = description.reference_celsius
    at = ("pad Ex+", "pad Ex-") if description.wires == 6 else ("Ex+", "Ex-")
    half = description.bridges[0].half
    signal = ("S+", "Ex-") if half else ("S+", "S-")
    outputs = []
    for unbalance in (0.0, 1e-3):
        state = CellState((load_changes(unbalance),), celsius, celsius)
        point = build([*description.parts(state), Element("ideal", *at, 1e-6, 10.0)]).solve()
        volts, reference = point.volt(*signal), point.volt(*at)
        if volts is None or not reference:
            raise ValueError("this bridge has no output: its signal leads hang free")
        # The other half of a half bridge, in the instrument, stands at the middle.
        outputs.append(volts / reference - (0.5 if half else 0.0))
    return (outputs[1] - outputs[0]) / 1e-3, outputs[0]
