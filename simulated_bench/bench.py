"""Everything on the bench as one circuit, and how its time goes on between events.

Clips and relays join instrument terminals to leads. A change anywhere is announced first, so
that integrations that run see the state before it up to that instant and the one after it from
then on: a reading is the true mean over its window.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from simulated_bench.capacitors import Capacitor
from simulated_bench.chain_on_bench import ChainLife, ChainOnBench
from simulated_bench.circuit import Point
from simulated_bench.electrical import Contact, contact, earth_parts
from simulated_bench.elements import Element, Part, changed_parts, inserted_parts
from simulated_bench.events import NS, Events
from simulated_bench.idle_fixture import may_be_idle
from simulated_bench.instruments.insulation_tester import Tester
from simulated_bench.instruments.multimeter import Multimeter
from simulated_bench.instruments.power_supply import PowerSupply
from simulated_bench.instruments.site import Electrical, Probe
from simulated_bench.load_cell import LoadCell
from simulated_bench.on_the_bench import CellOnBench
from simulated_bench.position import at_position, position_of
from simulated_bench.relay_parts import Crosspoint as Crosspoint
from simulated_bench.relay_parts import RelayParts
from simulated_bench.timed_circuit import Piece, TimedCircuit

OnBench = CellOnBench | ChainOnBench
HAND_CLIP = Contact(closed_ohms=0.02)
WALL_THERMOMETER = "wall thermometer"
SHORTEST_S = 1e-9
CHARGED_VOLTS = 0.05
LEFT_ALONE_TAU_S = 3000.0
WATCH_NS = (1_000_000, 20_000_000, 100_000_000)


@dataclass(slots=True, eq=False)
class Running:
    """An integration under way."""

    bench: Bench
    probe: Probe
    seconds: float = 0.0
    sum: float = 0.0
    none: bool = False

    def take(self, pieces: Sequence[Piece]) -> None:
        """Add what ran since the last look; nothing where nothing came to rest."""
        self.none = self.none or not pieces
        for piece in pieces:
            value = self.probe(piece.point)
            self.none = self.none or value is None
            self.sum += (value or 0.0) * piece.seconds
            self.seconds += piece.seconds

    def mean(self) -> float | None:
        """Close the window; return the mean of what was probed, None where no number exists."""
        return self.bench.close(self)

    def __enter__(self) -> Running:
        return self

    def __exit__(self, *what: object) -> None:
        """Close a window whose measurement was broken off."""
        self.bench.drop(self)


class Bench:
    """The circuit of the bench, its open windows and its slow states."""

    def __init__(self, seed: int, start: datetime, cell: OnBench, mains_hertz: float) -> None:
        self.events = Events()
        self.seed = seed
        self.start = start
        self.cell: OnBench = cell
        self.live = cell.live
        self.others: dict[int, CellOnBench] = {}  # in the fixtures from the second on
        self.scenario = cell.scenario
        self.error_scale: dict[str, float] = {}
        self.years: dict[str, float] = {}  # since each instrument's calibration
        self.mains_hertz = mains_hertz
        self.electrical: dict[str, Electrical] = {}
        self.supplies: list[PowerSupply] = []
        self.testers: list[Tester] = []
        self.clips: dict[str, tuple[str, ...]] = {}
        self.crosspoints: dict[int, Crosspoint] = {}
        self.closed: set[int] = set()
        self._earthed: list[Element] = earth_parts()
        self.circuit = TimedCircuit(self.parts, self._capacitors)
        self._settled_at = 0
        self._windows: list[Running] = []
        self._relays: list[Part] | None = None
        self._joints = RelayParts(self.crosspoints, self.closed)
        self._idle: frozenset[int] = frozenset()  # fixtures that nothing is joined to
        self._looks = 0
        self.changes = 0
        self.unsolved = 0

    # ---- what instruments ask

    def changing(self, *, watched: bool = True) -> None:
        """Something electrical changes at this instant: settle what ran until now.

        `watched` False: nothing that warms, protects or pierces changes by it.
        """
        self._settle()
        self.changes += 1
        self.circuit.changed()
        if self.others:
            self._relays = None
        for cell in self._cells():
            cell.disturbed()
        if watched:
            self._watch()

    def window(self, probe: Probe) -> Running:
        """Start an integration of what `probe` reads."""
        self._settle()
        window = Running(self, probe)
        self._windows.append(window)
        return window

    def close(self, window: Running) -> float | None:
        """End an integration and return its mean."""
        self._settle()
        self._windows.remove(window)
        if window.none:
            return None
        return window.sum / window.seconds if window.seconds else self.now(window.probe)

    def drop(self, window: Running) -> None:
        """End an integration that nobody wants any more."""
        if window in self._windows:
            self._windows.remove(window)

    def now(self, probe: Probe) -> float | None:
        """Return what `probe` reads at this instant."""
        self._settle()
        try:
            return probe(self.circuit.now())
        except (ArithmeticError, np.linalg.LinAlgError):
            self.unsolved += 1
            self.circuit.changed()
            return None

    def shares(self) -> tuple[float, float]:
        """Return what DC and AC meters see of 1 V that is there."""
        return self.cell.shares()

    def celsius(self) -> float:
        """Return the room's temperature, degC."""
        return self.live.room.temperature(self.events.now / NS).at(0.0)

    def humidity(self) -> float:
        """Return the room's relative humidity, percent."""
        return self.live.room.humidity(self.events.now / NS).at(0.0)

    def pascals(self) -> float:
        """Return the air pressure, Pa."""
        return self.live.room.pascals

    # ---- what hands and relays do

    def clip(self, terminal: str, lead: str) -> None:
        """Put the clip of a terminal on a lead; it leaves the one where it was.

        The insulation tester's ends stay on what they hold: all leads of a bridge are joined. The
        supply's stay on the leads of other cells: several are excited together.
        """
        self.changing()
        held = self.clips.get(terminal, ())
        if terminal.startswith("supply"):
            held = tuple(each for each in held if position_of(each) != position_of(lead))
        joins = terminal.startswith(("insulation", "supply"))
        self.clips[terminal] = (*held, lead) if joins and lead not in held else (lead,)

    def unclip(self, terminal: str, lead: str | None) -> None:
        """Take the clip of a terminal off a lead, off everything for None."""
        self.changing()
        left = () if lead is None else tuple(x for x in self.clips.get(terminal, ()) if x != lead)
        if left:
            self.clips[terminal] = left
        else:
            self.clips.pop(terminal, None)

    def relay(self, channel: int, closed: bool) -> None:
        """A relay has moved.

        Among cells in fixtures a voltmeter that is joined or not is no reason to look at the power
        of all of them: it takes a ten-millionth of it.
        """
        point = self.crosspoints.get(channel)
        meter = self.electrical.get(point.terminal.split()[0]) if point else None
        self.changing(watched=not (self.others and _only_listens(meter)))
        self._relays = None
        if closed:
            self.closed.add(channel)
        else:
            self.closed.discard(channel)

    def load(self, newtons: float, corner: int | None = None) -> None:
        """Put a load on the cell, or on a corner of the vessel."""
        self.changing()
        if isinstance(self.live, ChainLife):
            self.live.load(newtons, corner)
        else:
            self.live.load(newtons, corner)

    def force(self, seconds: float = 1.0) -> float:
        """Return the force on the cell in N, mean over the last seconds: a reference cell's."""
        self._settle()
        if isinstance(self.live, ChainLife):
            return 0.0
        rig = self.live.rig
        return rig.load.shifted(-seconds).mean(seconds) + rig.swing.shifted(-seconds).mean(seconds)

    def displays(self) -> Mapping[str, str]:
        """Return what a person reads in plant and room, by name."""
        self._settle()
        return {WALL_THERMOMETER: f"{self.celsius():.1f} degC", **self.cell.displays()}

    def faults_change(self, seconds: float) -> None:
        """A fault of the cell or the bench comes or goes."""
        self.changing()
        for cell in self._cells():
            cell.apply(seconds)

    def serial_at(self, position: int) -> str | None:
        """Return what stands on the label of the cell in a fixture, None where there is none."""
        cell = self.cell if position == 1 else self.others.get(position)
        return cell.scenario.cell.serial if cell is not None else None

    def lay_in(self, cell: CellOnBench) -> None:
        """Lay a cell into its fixture; what lay there goes away."""
        if cell.position == 1:
            self.next_cell(cell)
            return
        self.changing()
        cell.lies_since(self.live.seconds, self.live.room)
        cell.apply(self.live.seconds)
        self._joints.forget_cells()
        self.others[cell.position] = cell
        self._earth()

    def take_out(self, position: int) -> None:
        """Leave a fixture from the second on empty."""
        self.changing()
        self._joints.forget_cells()
        self.others.pop(position, None)
        self._earth()

    def next_cell(self, cell: CellOnBench) -> None:
        """Another cell lies on the bench; every clip and relay is where it was."""
        self.changing()
        self._joints.forget_cells()
        cell.lies_since(self.live.seconds, self.live.room)
        self.cell, self.live = cell, cell.live

    def warm(self, celsius: float, *, soaked: bool) -> None:
        """Bring the room to a temperature; the cell follows by itself unless it is soaked."""
        self.changing()
        room = replace(self.live.room, celsius=((self.live.seconds, celsius),), waves=())
        for live in self._lives():
            live.room = room
            if soaked:
                live.put_in(celsius)

    # ---- the circuit in time

    def parts(self, seconds: float = 0.0) -> list[Part]:
        """Return every element at its mean over the next `seconds`."""
        charges = self._absorbing()
        if self._relays is None:
            idle = self._without_joins()
            self._idle = frozenset(cell.position for cell in idle)
            self._relays = self._joints.parts(idle)
        parts: list[Part] = []
        for cell in self._cells():
            if cell not in self._out_of_circuit():
                parts += cell.parts(seconds, charges=charges)
        parts += self._earthed
        for device in self.electrical.values():
            parts += device.parts()
        parts += self._relays
        for terminal, leads in self.clips.items():
            parts += [contact(terminal, lead, HAND_CLIP) for lead in leads]
        outer = [fault for cell in self._cells() for fault in cell.outer]
        if not outer:
            return parts
        nodes = {node for part in parts for node in (part.a, part.b)}
        return [*changed_parts(parts, outer), *inserted_parts(outer, nodes)]

    def _cells(self) -> list[OnBench]:
        return [self.cell, *self.others.values()]

    def _lives(self) -> list[LoadCell | ChainLife]:
        return [self.live, *(cell.live for cell in self.others.values())]

    def _earth(self) -> None:
        """Each fixture is earthed as the first one is."""
        self._earthed = [
            part._replace(name=at_position(position, part.name), a=at_position(position, part.a))
            for position in (1, *self.others)
            for part in earth_parts()
        ]

    def _absorbing(self) -> bool:
        """Whether the cable's charges move: a tester is on, or still joined to what it charged.

        Charges that nobody takes part in stay where they are and leak away slowly.
        """
        if any(tester.circuit.on for tester in self.testers):
            return True
        if not any(abs(c.volts) > CHARGED_VOLTS for c in self._charges()):
            return False
        return any(self._joined(tester.name) for tester in self.testers)

    def _joined(self, role: str) -> bool:
        ends = [self.crosspoints[channel].terminal for channel in self.closed]
        return any(terminal.startswith(role) for terminal in (*ends, *self.clips))

    def _capacitors(self) -> list[Capacitor]:
        return [*(supply.capacitor for supply in self.supplies), *self._charges()]

    def _charges(self) -> list[Capacitor]:
        return [capacitor for live in self._lives() for capacitor in live.capacitors]

    def _without_joins(self) -> list[CellOnBench]:
        """The cells of a lot that no relay, clip or fault of the bench brings into play."""
        if not self.others or any(cell.outer for cell in self._cells()):
            return []
        joined = {self.crosspoints[channel].position for channel in self.closed}
        joined |= {position_of(lead) for leads in self.clips.values() for lead in leads}
        return [
            cell
            for cell in self._cells()
            if isinstance(cell, CellOnBench) and cell.position not in joined and may_be_idle(cell)
        ]

    def _in_circuit(self) -> list[OnBench]:
        return [cell for cell in self._cells() if cell not in self._out_of_circuit()]

    def _out_of_circuit(self) -> list[OnBench]:
        return [
            cell
            for cell in self._cells()
            if isinstance(cell, CellOnBench) and cell.position in self._idle
        ]

    def _settle(self) -> None:
        """Let everything go on to now; open windows take the means on the way there."""
        left = (self.events.now - self._settled_at) / NS
        self._settled_at = self.events.now
        while left > 0:
            every = [at for live in self._lives() if (at := live.next_change()) is not None]
            sudden = min(every, default=None)
            seconds = left if sudden is None else min(left, max(sudden, SHORTEST_S))
            self._step(seconds)
            left = 0.0 if left - seconds < SHORTEST_S / 2 else left - seconds

    def _step(self, seconds: float) -> None:
        """One step in which nothing jumps."""
        charging = any(supply.charging for supply in self.supplies)
        if charging:
            self.circuit.changed()  # its set point drifts, and with it the instants of change
        if self._windows or charging or self._absorbing() or self.cell.moving():
            self._take(self._pieces(seconds))
        else:
            self.circuit.forget()
        if not self._absorbing():
            for capacitor in self._charges():
                capacitor.volts *= math.exp(-seconds / LEFT_ALONE_TAU_S)
        for supply in self.supplies:
            supply.advance(seconds)
        for live in self._lives():
            live.advance(seconds)

    def _pieces(self, seconds: float) -> list[Piece]:
        """The step's pieces; none where sources fight each other and nothing comes to rest."""
        try:
            return self.circuit.step(seconds)
        except (ArithmeticError, np.linalg.LinAlgError):
            self.unsolved += 1
            self.circuit.changed()
            return []

    def _take(self, pieces: Sequence[Piece]) -> None:
        for window in self._windows:
            window.take(pieces)
        for piece in pieces:
            for cell in self._in_circuit():
                cell.take(piece.point, piece.seconds)
        for supply in self.supplies if pieces else ():
            supply.look(pieces[-1].point)

    def _watch(self) -> None:
        """Look again soon after a change: protections, and the power that warms the cell."""
        self._looks += 1
        due = self._looks
        for wait in WATCH_NS:
            self.events.after(wait, lambda: self._look(due))
        self.events.after(WATCH_NS[-1], lambda: self._until_at_rest(due, WATCH_NS[-1]))

    def _until_at_rest(self, due: int, wait: int) -> None:
        """An output that still rises has not yet the power that it will have: look on, ever less
        often, until it stands.
        """
        if due == self._looks and any(supply.charging for supply in self.supplies):
            self.events.after(wait, lambda: self._look(due))
            self.events.after(wait, lambda: self._until_at_rest(due, 2 * wait))

    def _look(self, due: int) -> None:
        if due != self._looks:
            return
        live = any(supply.output.on or supply.charging for supply in self.supplies)
        if live or any(each.watts for each in self._lives()):
            self.now(self._heat)
        for supply in self.supplies:
            supply.protect()
        if any(tester.circuit.on for tester in self.testers):
            self.now(self._stress)

    def _stress(self, point: Point) -> None:
        """A test voltage that the gauges' backing does not stand leaves its mark for good."""
        broken = [cell for cell in self._in_circuit() if cell.stressed(point)]
        if broken:
            self.faults_change(self.events.now / NS)

    def _heat(self, point: Point) -> None:
        for cell in self._out_of_circuit():
            cell.live.watts = 0.0
        for cell in self._in_circuit():
            cell.live.heated_by(point)


def _only_listens(instrument: Electrical | None) -> bool:
    """Whether it is a meter that is set to volts."""
    return isinstance(instrument, Multimeter) and instrument.function.unit == "V"
