"""The cell of a scenario as it lies on the bench: its papers, its faults, its time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields, replace

from simulated_bench import room as ambient
from simulated_bench.cell import LEADS, CellDescription
from simulated_bench.circuit import CircuitError, Point
from simulated_bench.elements import Element, Fault, Leak, Opened, Part, Regulated, WetLeak
from simulated_bench.load_cell import LoadCell
from simulated_bench.loading import Loading
from simulated_bench.matrix import unknown_outside
from simulated_bench.noise import key, normals
from simulated_bench.papers import Papers, contradiction, described, response, thermal
from simulated_bench.plugging import plugged
from simulated_bench.position import at_position
from simulated_bench.response import Response
from simulated_bench.scenario import CellTable, RoomTable, Scenario, ScenarioError
from simulated_bench.scenario_faults import FaultTable, active_faults, check_added
from simulated_bench.scenario_lot import outside
from simulated_bench.wetness import GLAND, Path, Wetness

SPREAD = {
    "input_ohms": 3e-4,
    "output_ohms": 2e-4,
    "rated_output_mv_v": 2e-4,
}
IN_THE_CELL: tuple[Path, ...] = (
    ("pad S+", "housing", 0.5),
    ("pad Ex-", "housing", 0.3),
    ("pad Ex+", "housing", 0.2),
)
"""Water on the gauges: unequal shares to the body. Common practice, no source."""
ZERO_SPREAD = 0.003
"""Standard deviations within a lot, relative and of rated output: common practice, no source."""


def true_papers(table: CellTable, seed: int) -> Papers:
    """Return what the cell really is: its papers, its own spread, what the scenario says."""
    papers = table.promised()
    if table.drawn is not None:
        papers = _drawn(papers, seed, table.drawn)
    known = {field.name for field in fields(Papers)}
    given = {
        name: getattr(table, name)
        for name in table.model_fields_set & known
        if getattr(table, name) is not None
    }
    return replace(papers, **given)


def _drawn(papers: Papers, seed: int, number: int) -> Papers:
    """Another cell of the same lot."""
    draws = normals(key(seed, f"lot {papers.serial}"), number)
    scaled = {
        name: getattr(papers, name) * (1.0 + spread * draw)
        for (name, spread), draw in zip(SPREAD.items(), draws, strict=False)
    }
    zero = papers.zero_mv_v + ZERO_SPREAD * papers.rated_output_mv_v * draws[3]
    return replace(papers, zero_mv_v=zero, **scaled)


def room_of(table: RoomTable) -> ambient.Room:
    """Return the room as functions of bench time."""
    return ambient.Room(
        celsius=table.profile or ((0.0, table.celsius),),
        waves=tuple(ambient.Wave(w.amplitude, w.period, w.phase) for w in table.waves),
        humidity_percent=((0.0, table.humidity_percent),),
        pascals=table.pascals,
    )


class CellOnBench:
    """A cell with the faults of its scenario; the bench asks it for elements."""

    def __init__(self, scenario: Scenario, seed: int, file: str = "", position: int = 1) -> None:
        """`position` is the fixture that it lies in: its nodes are named after it."""
        self.position = position
        self.scenario = scenario
        self.seed = seed
        self.file = file or "scenario"
        table = scenario.cell
        papers = true_papers(table, seed)
        if wrong := contradiction(papers):
            raise ScenarioError(self.file, f"cell.{wrong[0]}", wrong[1])
        self.faults = list(scenario.fault)
        self.response = response(papers)
        self.loading = Loading(scenario.rig, papers, seed)
        self.description: CellDescription = described(papers)
        self.live = LoadCell(
            self.description,
            self.response,
            room_of(scenario.room),
            thermal=thermal(papers),
            rig=self.loading.rig(),
            wetness=_wetness(table),
            body_celsius=table.body_celsius,
            seed=seed,
            name=papers.serial,
            position=position,
        )
        self.extra: list[Part] = _electronics() if table.electronics else []
        self.outer: list[Fault] = []
        self._exchanged: dict[str, str] = {}
        self._still: list[Part] = []
        self._still_placed: list[Part] = []
        self._plugged: tuple[int, int | None] = (0, None)
        self._set_percent = 0.0
        self._check()
        self.apply(0.0)

    def lies_since(self, seconds: float, room: ambient.Room) -> None:
        """It comes onto the bench at this bench time, into this room, as warm as that."""
        self.live.seconds, self.live.room = seconds, room
        warm = self.scenario.cell.body_celsius
        self.live.put_in(room.temperature(seconds).at(0.0) if warm is None else warm)

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
        mine = [f for f in now.elements if self._is_mine(f)]
        if self.scenario.cell.electronics:
            mine += [Opened(name) for name in self._bridge_elements()]
        self.live.put_faults(mine)
        self.outer = [self._placed(f) for f in now.elements if not self._is_mine(f)]
        self.live.intermittent = list(now.intermittent)
        self.live.spikes = now.spikes
        self.live.mechanics.set_zero += (now.set_percent - self._set_percent) / 100.0
        self._set_percent = now.set_percent
        self._exchanged = {}
        for a, b in now.exchanged:
            self._exchange(a, b)
        self.live.become(_changed(self.response, now.response))

    def plug(self, bridge: int, joined: int | None) -> None:
        """Put the leads of a bridge (from 1) on the bench's lead terminals, those of others off.

        All leads of `joined` go, joined, where the housing was. Raises CircuitError.
        """
        count = len(self.description.bridges)
        for number in (bridge, *(() if joined is None else (joined,))):
            if not 1 <= number <= count:
                raise CircuitError(f"bridge {number}: the body has {count}")
        self._plugged = (bridge - 1, None if joined is None else joined - 1)

    def parts(self, seconds: float, *, charges: bool) -> list[Part]:
        """Return the cell's elements at their means over the next seconds."""
        if self.position != 1 and self._plugged == (0, None) and not self._exchanged:
            return self._placed_parts(seconds, charges=charges)
        parts = [*self.live.parts(seconds, charges=charges), *self.extra]
        if self._plugged != (0, None):
            parts = plugged(parts, *self._plugged)
        if self._exchanged:
            parts = [self._renamed(part) for part in parts]
        if self.position == 1:
            return parts
        return self._in_place(parts)

    def _placed_parts(self, seconds: float, *, charges: bool) -> list[Part]:
        """The same in another fixture than the first; what stays is named once."""
        moving, still, more = self.live.groups(seconds, charges=charges)
        if self._still is not still:
            self._still, self._still_placed = still, self._in_place(still)
        more = [*more, *self.extra]
        return [*self._in_place(moving), *self._still_placed, *self._in_place(more)]

    def _in_place(self, parts: Sequence[Part]) -> list[Part]:
        at = self.at
        return [type(part)(at(part[0]), at(part[1]), at(part[2]), *part[3:]) for part in parts]

    def at(self, name: str) -> str:
        """Return one of its nodes or elements as the bench names it."""
        return at_position(self.position, name)

    def leads(self) -> tuple[str, ...]:
        """Return what an instrument may be clipped to."""
        return LEADS

    def stressed(self, point: Point) -> bool:
        """Tell whether a voltage to the body has just pierced the gauges' backing."""
        return self.live.stressed_by(point)

    def shares(self) -> tuple[float, float]:
        """Return what DC and AC meters see of 1 V: a bench supply gives DC."""
        return 1.0, 0.0

    def displays(self) -> Mapping[str, str]:
        """Return what a person reads at the cell itself: nothing."""
        return {}

    def take(self, point: Point, seconds: float) -> None:
        """A passive cell takes nothing but heat, and harm where a tester asks too much of it."""
        del seconds
        self.live.stressed_by(point)

    def moving(self) -> bool:
        """Whether every step must be solved because something in it follows the circuit."""
        return False

    def disturbed(self) -> None:
        """Something has changed on the bench: a passive cell does not mind."""

    def _placed(self, fault: Fault) -> Fault:
        """A fault between the cell and its surroundings, by the bench's names."""
        if isinstance(fault, Leak | WetLeak):
            return replace(fault, a=self.at(fault.a), b=self.at(fault.b))
        return fault

    def _exchange(self, a: str, b: str) -> None:
        ends = dict(self._exchanged)
        self._exchanged[a], self._exchanged[b] = ends.get(b, b), ends.get(a, a)

    def _renamed(self, part: Part) -> Part:
        a, b = (self._exchanged.get(node, node) for node in (part.a, part.b))
        return part._replace(a=a, b=b)

    def _bridge_elements(self) -> list[str]:
        names = [part.name for part in self.description.conducting_parts()]
        return [n for n in names if n.startswith(("arm", "compensation", "zero"))]

    def _is_mine(self, fault: Fault) -> bool:
        parts = self.description.parts()
        if isinstance(fault, Leak | WetLeak):
            nodes = {node for part in parts for node in (part.a, part.b)}
            return fault.a in nodes and fault.b in nodes
        return fault.element in {part.name for part in parts}

    def _check(self) -> None:
        """A fault that names what is not there is a mistake in the file."""
        for number, fault in enumerate(self.faults):
            try:
                self._try(fault)
            except CircuitError as error:
                name = "between" if fault.between else "element"
                raise ScenarioError(self.file, f"fault.{number}.{name}", str(error)) from None

    def _try(self, fault: FaultTable) -> None:
        """Raise CircuitError where a fault names what is not there."""
        if fault.element:
            self._try_element(fault.element, fault.kind)
        parts = self.description.parts()
        nodes = {node for part in parts for node in (part.a, part.b)} | {"earth"}
        if fault.kind == "exchanged":
            nodes &= set(LEADS)
        for node in fault.between or ():
            if node not in nodes:
                raise CircuitError(f"no element ends at {node!r}; nodes are {_listed(nodes)}")

    def _try_element(self, element: str, kind: str) -> None:
        moves = kind == "intermittent"
        if outside(element) and not moves:
            if reason := unknown_outside(self.scenario, element):
                raise CircuitError(reason)
            return
        of_cell = self.description
        parts = of_cell.conducting_parts() if moves else of_cell.parts()
        names = {part.name for part in parts}
        if element not in names:
            allowed = ", ".join(sorted(n for n in names if not n.startswith("leak")))
            raise CircuitError(f"there is no element {element!r}; there are {allowed}")


def _listed(nodes: set[str]) -> str:
    return ", ".join(sorted(nodes))


def _wetness(table: CellTable) -> Wetness | None:
    if table.moisture is None:
        return None
    wet = table.moisture
    return Wetness(
        start=wet.start,
        seal_tau_s=wet.seal_tau_s,
        drying_tau_s=wet.drying_tau_s,
        siemens=wet.siemens,
        asymmetry=wet.asymmetry,
        galvanic_volts=wet.galvanic_volts,
        paths=IN_THE_CELL if wet.where == "cell" else GLAND,
    )


def _changed(first: Response, tables: tuple[FaultTable, ...]) -> Response:
    """Return the response with what has happened to spring and gauges."""
    changed = first
    for table in tables:
        changes: dict[str, object] = {}
        if table.creep_percent is not None:
            changes["creep"] = table.creep_percent / 100
        if table.creep_tau_s is not None:
            changes["creep_shares"] = ((1.0, table.creep_tau_s),)
        if table.hysteresis_percent is not None:
            changes["hysteresis"] = table.hysteresis_percent / 100
        if table.nonlinearity_percent is not None:
            changes["nonlinearity"] = table.nonlinearity_percent / 100
        if table.rated_output_factor is not None:
            changes["rated_output"] = changed.rated_output * table.rated_output_factor
        if table.loose_arm is not None:
            changes["shares"] = {**changed.shares, table.loose_arm: 0.9}
        if table.zero_percent_per_kelvin is not None:
            changes["zero_per_kelvin"] = table.zero_percent_per_kelvin / 100
        changed = replace(changed, **changes)  # type: ignore[arg-type]
    return changed


def _electronics() -> list[Part]:
    """An amplifier in the cell: a diode, a load that is not ohmic seen from outside."""
    return [
        # A diode: no current backwards, 0.6 V forwards.
        Regulated(
            "electronics diode",
            "pad Ex+",
            "electronics",
            5.0,
            volts=0.6,
            amps_max=0.0,
            amps_min=-1.0,
            emf_min=-1e3,
            emf_max=1e3,
        ),
        Element("electronics diode leak", "pad Ex+", "electronics", 1e8),
        Element("electronics load", "electronics", "pad Ex-", 450.0),
        Element("electronics output +", "electronics", "pad S+", 1e4),
        Element("electronics output -", "pad S+", "pad Ex-", 1e4),
        Element("electronics common", "pad S-", "pad Ex-", 1e3),
    ]
