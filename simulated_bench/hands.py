"""What a person can do at the bench: clip, load, read a display, pull a plug."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import TypeVar

from pydantic import ValidationError

from simulated_bench import panels
from simulated_bench.bench import Bench
from simulated_bench.cell import LEADS
from simulated_bench.chain_on_bench import ChainOnBench
from simulated_bench.circuit import CircuitError
from simulated_bench.control import Json, OrderError
from simulated_bench.events import NS, nanoseconds
from simulated_bench.instruments.device import Instrument
from simulated_bench.instruments.insulation_tester import Tester
from simulated_bench.matrix import TERMINALS
from simulated_bench.on_the_bench import CellOnBench
from simulated_bench.panels import PanelError
from simulated_bench.papers import GRAVITY
from simulated_bench.position import at_position
from simulated_bench.scenario import CellTable, ScenarioError
from simulated_bench.scenario_faults import FaultTable
from simulated_bench.scenario_lot import outside, piece_of
from simulated_bench.slips import Slips
from simulated_bench.wire_faults import FaultError, read_fault
from simulated_bench.wires import Wire
from simulated_bench.written import COLDEST, HOTTEST, LONGEST_S

T = TypeVar("T")
LINK_OHMS = 0.02  # of a wire with two clips
CORNERS = 4  # of a platform on one cell


class BenchHands:
    """Hands at one bench."""

    def __init__(
        self,
        bench: Bench,
        wires: Mapping[str, Wire],
        devices: Mapping[str, Instrument],
        slips: Slips,
    ) -> None:
        self.bench = bench
        self.wires = wires
        self.devices = devices
        self._slips = slips
        self._landed: dict[tuple[str, str], str] = {}  # where a clip is, by where it should be

    def do(self, what: str, order: Mapping[str, object]) -> Json:
        """Do one thing; raises OrderError for what a person cannot do here."""
        match what:
            case "clip":
                return self._clip(order)
            case "load":
                return self._load(order)
            case "temperature":
                celsius = _number(order, "celsius", COLDEST, HOTTEST)
                self.bench.warm(celsius, soaked=order.get("soaked") is True)
                return {}
            case "display":
                return self._display(order)
            case "type":
                return {"text": self._slips.typed(str(self._display(order)["text"]))}
            case "look":
                return self._look(order)
            case "set":
                return self._set(order)
            case "switch":
                return self._switch(order)
            case "power-cycle":
                self._power_cycle(order)
                return {}
            case "cell":
                return self._cell(order)
            case "leads":
                return self._leads(order)
            case "link":
                return self._link(order)
            case "fixture":
                return self._fixture(order)
            case "lift":
                return self._lift(order, lifted=True)
            case "restore":
                return self._lift(order, lifted=False)
            case "fit":
                return self._fit(order)
            case "take-off":
                return self._fit(order)
            case "touch":
                return self._touch(order)
            case "operate":
                return self._operate(order)
            case "fault":
                return self._fault(order)
            case "unplug":
                self._wire(order).unplug()
                return {}
            case "plug":
                self._wire(order).plug()
                return {}
            case "wire-fault":
                return self._wire_fault(order)
        known = (
            "clip, leads, link, load, lift, restore, fit, take-off, temperature, cell, fixture,"
            " display, type, look, set, switch, touch, operate, fault, power-cycle, unplug, plug,"
            " wire-fault"
        )
        raise OrderError(f"do: {known}, got {what!r}")

    def _clip(self, order: Mapping[str, object]) -> Json:
        terminal, lead = order.get("terminal"), order.get("lead")
        terminals = [t for role in self.devices for t in TERMINALS.get(role, ())]
        if not isinstance(terminal, str) or terminal not in terminals:
            raise OrderError(f"terminal: one of {', '.join(terminals)}, got {terminal!r}")
        leads, position = self.bench.cell.leads(), order.get("position", 1)
        if lead is not None and lead not in leads:
            raise OrderError(f"lead: one of {', '.join(leads)} or null, got {lead!r}")
        if not isinstance(position, int) or position not in (1, *self.bench.others):
            raise OrderError(f"position: where a cell lies, got {position!r}")
        if lead is None:
            self.bench.unclip(terminal, None)
            return {}
        wanted = at_position(position, str(lead))
        if order.get("off") is True:
            self.bench.unclip(terminal, self._landed.pop((terminal, wanted), wanted))
        else:
            landed = at_position(position, self._slips.clip(str(lead), leads))
            self._landed[terminal, wanted] = landed
            self.bench.clip(terminal, landed)
        return {}

    def _load(self, order: Mapping[str, object]) -> Json:
        force = self._force(order)
        corner = order.get("corner")
        chain = self.bench.scenario.chain
        corners = CORNERS if chain is None else len(chain.cell)
        if corner is not None and not (isinstance(corner, int) and 1 <= corner <= corners):
            raise OrderError(f"corner: a whole number from 1 to {corners} or null, got {corner!r}")
        self.bench.load(force, corner)
        return {"newtons": force}

    def _force(self, order: Mapping[str, object]) -> float:
        """Return what is hung or pumped, in N, slips included."""
        given = [key for key in ("newtons", "kilograms") if key in order]
        if len(given) != 1:
            raise OrderError("load: either kilograms or newtons, and one of them")
        wanted = _number(order, given[0], None)  # a pull is a negative push
        in_kilograms = wanted / GRAVITY if given[0] == "newtons" else wanted
        if reason := self.bench.cell.scenario.breaks(in_kilograms):
            raise OrderError(f"{given[0]}: {reason}")
        slipped = self._slips.load(in_kilograms)
        if slipped is None and given[0] == "newtons":
            return self._pumped(wanted)
        return newtons_of(self.bench, wanted if slipped is None else slipped)

    def _pumped(self, newtons: float) -> float:
        cell = self.bench.cell
        jack = isinstance(cell, CellOnBench) and cell.loading.table.kind == "hydraulic"
        return cell.loading.pumped(newtons) if jack else newtons  # type: ignore[union-attr]

    def _lift(self, order: Mapping[str, object], *, lifted: bool) -> Json:
        """Lift a wire or a link of a chain, or put it back; answers what is lifted."""
        element, chain = order.get("element"), self.bench.cell
        if not isinstance(chain, ChainOnBench) or not isinstance(element, str):
            raise OrderError("element: a wire or a link of a chain is needed")
        self.bench.changing()
        try:
            chain.lift(element, lifted=lifted)
        except CircuitError as error:
            raise OrderError(f"element: {error}") from None
        self.bench.faults_change(self.bench.events.now / NS)
        return {"lifted": list(chain.lifted())}

    def _fit(self, order: Mapping[str, object]) -> Json:
        """Fit a resistor or a link between two terminals of a chain; without them take it off."""
        element, between, chain = order.get("element"), order.get("between"), self.bench.cell
        if not isinstance(chain, ChainOnBench) or not isinstance(element, str):
            raise OrderError("element: a name for what is fitted to a chain is needed")
        self.bench.changing()
        if between is None:
            chain.take_off(element)
        elif isinstance(between, list) and len(between) == 2:
            ohms = _number(order, "ohms", 1e-9, 1e18)
            try:
                chain.fit(element, str(between[0]), str(between[1]), ohms)
            except CircuitError as error:
                raise OrderError(str(error)) from None
        else:
            raise OrderError(f"between: two terminals, got {between!r}")
        return {"fitted": list(chain.fitted())}

    def _touch(self, order: Mapping[str, object]) -> Json:
        lead = order.get("lead")
        if lead not in LEADS:
            raise OrderError(f"lead: one of {', '.join(LEADS)}, got {lead!r}")
        self.bench.changing()
        volts = _number(order, "volts", -1.0, 1.0) if "volts" in order else 3e-6
        self.bench.live.touch(str(lead), volts)
        return {}

    def _display(self, order: Mapping[str, object]) -> Json:
        """The whole display, or what it shows of one quantity."""
        plant, wire = self.bench.displays(), order.get("wire")
        if isinstance(wire, str) and wire in plant:
            return {"text": plant[wire]}
        device, quantity = self._device(order), order.get("quantity")
        if quantity is None:
            return {"text": device.display()}
        return {"text": _at_panel(panels.field, device, str(quantity))}

    def _look(self, order: Mapping[str, object]) -> Json:
        wire = order.get("wire")
        if isinstance(wire, str) and wire in self.bench.displays():
            return {"seconds": 0.0}
        device = self._device(order)
        in_remote = device.name in self.wires  # it measures when it is told to
        return {"seconds": 0.0 if in_remote else _at_panel(panels.look, device)}

    def _set(self, order: Mapping[str, object]) -> Json:
        settings = {k: v for k, v in order.items() if k not in ("op", "do", "wire")}
        device = self._device(order)
        if not isinstance(device, Tester):  # its volts are a switch that no remote locks
            device = self._without_wire(order)
        _at_panel(panels.turn, device, settings)
        return {}

    def _switch(self, order: Mapping[str, object]) -> Json:
        on = order.get("on")
        if not isinstance(on, bool):
            raise OrderError(f"on: true or false is needed, got {on!r}")
        _at_panel(panels.press, self._without_wire(order), on=on)
        return {}

    def _operate(self, order: Mapping[str, object]) -> Json:
        """Keys and knobs: the same words as on a wire; what is said stands on the display."""
        text = order.get("command")
        if not isinstance(text, str):
            raise OrderError(f"command: a text is needed, got {text!r}")
        self._without_wire(order).obey(text.encode("latin-1", "replace") + b"\n")
        return {}

    def _cell(self, order: Mapping[str, object]) -> Json:
        """The next cell: without faults of its own, those of the bench stay."""
        keys = {k: v for k, v in order.items() if k not in ("op", "do")}
        old = self.bench.cell
        if not isinstance(old, CellOnBench):
            raise OrderError("do: a chain stays where it is")
        try:
            table = CellTable.model_validate(keys)
        except ValidationError as error:
            raise OrderError(_first(error)) from None
        if "kilograms" in table.model_fields_set:
            raise OrderError("kilograms: the next cell lies there unloaded, load it then")
        scenario = old.scenario.model_copy(update={"cell": table, "fault": _of_the_bench(old)})
        try:
            cell = CellOnBench(scenario, self.bench.seed)
        except ScenarioError as error:
            raise OrderError(f"{error.key.removeprefix('cell.')}: {error.reason}") from None
        self.bench.next_cell(cell)
        return {"serial": table.serial or table.papers}

    def _leads(self, order: Mapping[str, object]) -> Json:
        """Put the leads of a bridge of the body on the terminals; join those of another."""
        cell, bridge, joined = self.bench.cell, order.get("bridge"), order.get("joined")
        if not isinstance(cell, CellOnBench) or not isinstance(bridge, int):
            raise OrderError(f"bridge: a number from 1 is needed, got {bridge!r}")
        if joined is not None and not isinstance(joined, int):
            raise OrderError(f"joined: a number from 1 or null, got {joined!r}")
        self.bench.changing()
        try:
            cell.plug(bridge, joined)
        except CircuitError as error:
            raise OrderError(str(error)) from None
        return {}

    def _link(self, order: Mapping[str, object]) -> Json:
        """Link two leads of a cell by a wire or a resistor, or take the link off (on: false)."""
        position, on = order.get("position", 1), order.get("on")
        if not isinstance(position, int) or position not in (1, *self.bench.others):
            raise OrderError(f"position: where a cell lies, got {position!r}")
        cell = self.bench.cell if position == 1 else self.bench.others[position]
        keys = {"kind": "leak", "between": order.get("between"), "note": "link"}
        keys["ohms"] = order.get("ohms", LINK_OHMS)
        if not isinstance(cell, CellOnBench) or not isinstance(on, bool):
            raise OrderError(f"on: true or false is needed, got {on!r}")
        try:
            link = FaultTable.model_validate(keys)
            if on:
                cell.add(link)
            elif link in cell.faults:
                cell.faults.remove(link)
        except ValidationError as error:
            raise OrderError(_first(error)) from None
        except CircuitError as error:
            raise OrderError(str(error)) from None
        self.bench.faults_change(self.bench.events.now / NS)
        return {}

    def _fixture(self, order: Mapping[str, object]) -> Json:
        """Lay a piece of the lot into a fixture, or take out what lies there (serial null)."""
        cell = self.bench.cell
        lot = cell.scenario.lot
        if lot is None or not isinstance(cell, CellOnBench):
            raise OrderError("fixture: there is no lot on this bench")
        position, serial = order.get("position"), order.get("serial")
        if not isinstance(position, int) or not 1 <= position <= lot.positions:
            raise OrderError(f"position: from 1 to {lot.positions}, got {position!r}")
        if serial is None:
            if position == 1:
                raise OrderError("position: the first fixture is never empty, lay another in it")
            self.bench.take_out(position)
            return {}
        number = lot.number_of(str(serial))
        if number is None:
            raise OrderError(f"serial: no piece of lot {lot.name} is {serial!r}")
        if self.bench.serial_at(position) != serial:
            scenario = piece_of(self.bench.scenario, number)
            if position == 1:
                faults = (*scenario.fault, *_of_the_bench(cell))
                scenario = scenario.model_copy(update={"fault": faults})
            self.bench.lay_in(CellOnBench(scenario, self.bench.seed, position=position))
        return {"serial": str(serial)}

    def _fault(self, order: Mapping[str, object]) -> Json:
        now = self.bench.events.now / NS
        keys = {k: v for k, v in order.items() if k not in ("op", "do")}
        if "piece" in keys:
            raise OrderError("piece: a fault by hand is in the cell that lies in the first fixture")
        try:
            fault = FaultTable.model_validate({"at": now, **keys})
            self.bench.cell.add(fault)
        except ValidationError as error:
            raise OrderError(_first(error)) from None
        except CircuitError as error:
            raise OrderError(str(error)) from None
        self.bench.faults_change(now)
        for edge in (fault.at, fault.until):
            if edge is not None and edge > now:  # it comes and goes by itself, as in a scenario
                self.bench.events.at(nanoseconds(edge), partial(self.bench.faults_change, edge))
        return {}

    def _power_cycle(self, order: Mapping[str, object]) -> None:
        dark = nanoseconds(_number(order, "seconds", 0.0, LONGEST_S)) if "seconds" in order else 0
        name = order.get("wire")
        if isinstance(name, str) and name in self.wires:
            self.wires[name].restart(dark)
        else:
            self._device(order).restart()

    def _wire_fault(self, order: Mapping[str, object]) -> Json:
        wire = self._wire(order)
        if order.get("kind") == "none":
            wire.faults.clear()
            return {}
        keys = {k: v for k, v in order.items() if k not in ("op", "do", "wire")}
        try:
            wire.arm(read_fault(keys))
        except FaultError as error:
            raise OrderError(str(error)) from None
        return {}

    def _wire(self, order: Mapping[str, object]) -> Wire:
        name = order.get("wire")
        if not isinstance(name, str) or name not in self.wires:
            raise OrderError(f"wire: one of {', '.join(self.wires)}, got {name!r}")
        return self.wires[name]

    def _without_wire(self, order: Mapping[str, object]) -> Instrument:
        """In remote a front panel is locked."""
        device = self._device(order)
        if device.name in self.wires:
            raise OrderError(f"wire: {device.name} is operated over its wire")
        return device

    def _device(self, order: Mapping[str, object]) -> Instrument:
        name = order.get("wire")
        if not isinstance(name, str) or name not in self.devices:
            raise OrderError(f"wire: one of {', '.join(self.devices)}, got {name!r}")
        return self.devices[name]


def newtons_of(bench: Bench, kilograms: float) -> float:
    """Return the force of weights of this nominal mass on this bench."""
    cell = bench.cell
    return cell.loading.newtons(kilograms) if isinstance(cell, CellOnBench) else kilograms * GRAVITY


def _of_the_bench(cell: CellOnBench) -> tuple[FaultTable, ...]:
    """What is wrong with the bench and not with the cell that goes away."""
    return tuple(fault for fault in cell.faults if fault.element and outside(fault.element))


def _at_panel(do: Callable[..., T], *what: object, **how: object) -> T:
    try:
        return do(*what, **how)
    except PanelError as error:
        raise OrderError(str(error)) from None


def _first(error: ValidationError) -> str:
    first = error.errors()[0]
    return ": ".join(part for part in (".".join(map(str, first["loc"])), first["msg"]) if part)


def _number(
    order: Mapping[str, object], key: str, least: float | None = None, most: float | None = None
) -> float:
    value = order.get(key)
    if not isinstance(value, int | float) or isinstance(value, bool):
        raise OrderError(f"{key}: a number is needed, got {value!r}")
    if least is not None and value < least:
        raise OrderError(f"{key}: at least {least:g} is needed, got {value!r}")
    if most is not None and value > most:
        raise OrderError(f"{key}: at most {most:g} is possible, got {value!r}")
    return float(value)
