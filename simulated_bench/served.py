"""A whole bench put together from a scenario: circuit, instruments, wires, control port."""

from __future__ import annotations

import selectors
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from types import TracebackType

from simulated_bench.bench import Bench, Crosspoint
from simulated_bench.bench_file import Calibration, Entry, RelayFigures, bench_file, exactly
from simulated_bench.chain_on_bench import ChainOnBench
from simulated_bench.control import PATIENCE_S, Control
from simulated_bench.electrical import Contact
from simulated_bench.events import nanoseconds
from simulated_bench.hands import BenchHands, newtons_of
from simulated_bench.instruments.accuracy import drawn
from simulated_bench.instruments.device import Instrument
from simulated_bench.instruments.power_supply import RATED_AMPS
from simulated_bench.instruments_of import Standing, stand
from simulated_bench.matrix import crossings
from simulated_bench.on_the_bench import CellOnBench
from simulated_bench.scenario import InstrumentTable, Scenario, ScenarioError
from simulated_bench.scenario_lot import piece_of
from simulated_bench.slips import Slips
from simulated_bench.wires import PtyWire, TcpWire, Wire


class ServedBench:
    """Context manager: the bench with its ports open; `control.serve()` lets it live.

    Raises ScenarioError when a fault names what is not there (`file` names the scenario then).
    """

    def __init__(
        self,
        name: str,
        scenario: Scenario,
        *,
        file: str = "",
        seed: int | None = None,
        linger_s: float = 600.0,
        pace: float | None = None,
        patience_s: float = PATIENCE_S,
    ) -> None:
        self.name = name
        self.scenario = scenario
        self.seed = scenario.seed if seed is None else seed
        self.bench = Bench(
            self.seed, scenario.start, self._first(file or name), scenario.room.mains_hertz
        )
        self._fill_fixtures(file or name)
        self._check(file or name)
        self.folder = Path(tempfile.mkdtemp(prefix="bridgebench-"))
        self.selector = selectors.DefaultSelector()
        self.devices: dict[str, Instrument] = {}
        self.wires: dict[str, Wire] = {}
        self.standing: list[Standing] = []
        self._stand_instruments()
        self._book_changes()
        self.control = Control(
            self.bench.events,
            self.wires,
            BenchHands(
                self.bench,
                self.wires,
                self.devices,
                Slips(self.seed, scenario.hands, scenario.mistake),
            ),
            self.selector,
            {
                "start": f"{scenario.start:%Y-%m-%dT%H:%M:%SZ}",
                "scenario": name,
                "seed": self.seed,
                "pace": pace,
            },
            linger_s=linger_s,
            pace=pace,
            patience_s=patience_s,
        )

    def __enter__(self) -> ServedBench:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close every port and remove the serial lines' folder."""
        for wire in self.wires.values():
            wire.close()
        self.control.close()
        self.selector.close()
        shutil.rmtree(self.folder, ignore_errors=True)

    def resources(self) -> dict[str, str]:
        """Return the VISA resource name of every instrument with a wire."""
        return {name: wire.resource for name, wire in self.wires.items()}

    def bench_file(self) -> str:
        """Return the bench file of this bench."""
        entries = [self._entry(standing) for standing in self.standing]
        calibration = {s.device.name: Calibration(s.calibrated, s.due) for s in self.standing}
        table = self.scenario.instrument("scanner")
        figures = RelayFigures(table.contact_ohms, table.emf_volts, table.isolation_ohms)
        text = bench_file(
            self.control.address,
            self.name,
            self.scenario.timezone,
            entries,
            calibration,
            list(self.bench.crosspoints.values()),
            figures,
        )
        cell = self.bench.cell
        return text + cell.loading.bench_file() if isinstance(cell, CellOnBench) else text

    def _entry(self, standing: Standing) -> Entry:
        role = standing.device.name
        return Entry(
            role,
            standing.manner,
            self.wires[role].resource if role in self.wires else "",
            exactly(standing.identification),
            standing.number,
            standing.accuracy,
            RATED_AMPS if role == "supply" else None,
        )

    def _first(self, file: str) -> CellOnBench | ChainOnBench:
        """What lies on the bench, in the first fixture where there is a lot."""
        if self.scenario.chain is not None:
            return ChainOnBench(self.scenario, self.seed, file)
        if self.scenario.lot is None:
            return CellOnBench(self.scenario, self.seed, file)
        return self._piece(1, file)

    def _fill_fixtures(self, file: str) -> None:
        """The first pieces of a lot lie in the fixtures."""
        self.bench.scenario = self.scenario
        lot = self.scenario.lot
        if lot is None:
            return
        for number in range(1, lot.cells + 1):  # a fault that cannot be is told at once
            piece = self._piece(number, file)
            if 1 < number <= lot.positions:
                self.bench.lay_in(piece)

    def _piece(self, number: int, file: str) -> CellOnBench:
        lot = self.scenario.lot
        assert lot is not None
        scenario = piece_of(self.scenario, number)
        if number == 1:  # what is wrong with the bench itself
            whole = [fault for fault in self.scenario.fault if fault.piece is None]
            scenario = scenario.model_copy(update={"fault": (*scenario.fault, *whole)})
        position = number if number <= lot.positions else 1
        return CellOnBench(scenario, self.seed, file, position)

    def _check(self, file: str) -> None:
        """What names a relay or a lead names one that is there."""
        known = {crossing.channel for crossing in crossings(self.scenario)}
        for number in self.scenario.instrument("scanner").stuck:
            if number not in known:
                reason = f"there is no relay {number}; channels are 100 x terminal + lead"
                raise ScenarioError(file, "instruments.scanner.stuck", reason)
        leads = self.bench.cell.leads()
        for place, mistake in enumerate(self.scenario.mistake):
            if mistake.lead is not None and mistake.lead not in leads:
                reason = f"there is no lead {mistake.lead!r}; there are {', '.join(leads)}"
                raise ScenarioError(file, f"mistake.{place}.lead", reason)

    def _stand_instruments(self) -> None:
        scenario, roles = self.scenario, self.scenario.roles()
        self._wire_matrix()
        for role in roles:
            days = scenario.calibrated(role), scenario.due(role)
            standing = stand(self.bench, role, scenario.instrument(role), days)
            self.standing.append(standing)
            self.devices[role] = standing.device
            if not standing.by_hand:
                self._plug_in(standing)
        for wire, fault in scenario.wire_faults():
            self.wires[wire].arm(fault)

    def _plug_in(self, standing: Standing) -> None:
        device, events = standing.device, self.bench.events
        wire: Wire
        if standing.serial_line:
            baud = self.scenario.instrument(device.name).baud
            wire = PtyWire(device.name, device, events, self.selector, self.folder, baud)
        else:
            wire = TcpWire(device.name, device, events, self.selector)
        device.send, device.stream = wire.send, wire.stream
        self.wires[device.name] = wire

    def _wire_matrix(self) -> None:
        table = self.scenario.instrument("scanner")
        for channel, terminal, lead, position in crossings(self.scenario):
            how = self._relay(channel, table)
            self.bench.crosspoints[channel] = Crosspoint(channel, terminal, lead, how, position)

    def _relay(self, channel: int, table: InstrumentTable) -> Contact:
        """A relay is as its scanner promises: contact, EMF and isolation drawn within it."""
        key = (self.seed, "relay", channel)
        return Contact(
            closed_ohms=table.contact_ohms * (0.8 + 0.2 * drawn(*key, "contact")),
            emf_volts=table.emf_volts * 0.6 * drawn(*key, "emf"),
            open_ohms=table.isolation_ohms * (2.0 + drawn(*key, "isolation")),
        )

    def _book_changes(self) -> None:
        """What the scenario lets happen at a bench time."""
        edges = self.bench.cell.edges()
        if self.scenario.lot is not None:
            edges = sorted({t for f in self.scenario.fault for t in (f.at, f.until) if t})
        for seconds in edges:
            self.bench.events.at(nanoseconds(seconds), self._faults_change(seconds))
        if self.scenario.cell.kilograms:
            self.bench.load(newtons_of(self.bench, self.scenario.cell.kilograms))
        for load in self.scenario.load:
            self.bench.events.at(nanoseconds(load.at), self._load(load.kilograms))

    def _faults_change(self, seconds: float) -> Callable[[], None]:
        return lambda: self.bench.faults_change(seconds)

    def _load(self, kilograms: float) -> Callable[[], None]:
        return lambda: self.bench.load(newtons_of(self.bench, kilograms))
