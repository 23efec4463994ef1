"""A whole bench put together from a scenario: circuit, instruments, wires, control port."""

from __future__ import annotations

import selectors
import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType

from simulated_bench.bench import Bench, matrix
from simulated_bench.bench_file import (
    CONTACT_OHMS,
    EMF_VOLTS,
    ISOLATION_OHMS,
    Calibration,
    Entry,
    bench_file,
    exactly,
)
from simulated_bench.cell import LEADS
from simulated_bench.control import PATIENCE_S, Control
from simulated_bench.electrical import Contact
from simulated_bench.hands import BenchHands
from simulated_bench.instruments import insulation_tester, meter_functions, power_supply
from simulated_bench.instruments.accuracy import Limit, drawn
from simulated_bench.instruments.device import Instrument
from simulated_bench.instruments.insulation_start_poll import StartPollTester
from simulated_bench.instruments.multimeter import Multimeter
from simulated_bench.instruments.power_supply import PowerSupply
from simulated_bench.instruments.scanner import Scanner
from simulated_bench.scenario import Scenario
from simulated_bench.wires import PtyWire, TcpWire, Wire

TERMINALS = (
    "dmm HI",
    "dmm LO",
    "dmm sense HI",
    "dmm sense LO",
    "supply +",
    "supply -",
    "supply sense +",
    "supply sense -",
    "insulation +",
    "insulation -",
    "insulation guard",
)


class ServedBench:
    """Context manager: the bench with its ports open; `control.serve()` lets it live."""

    def __init__(
        self,
        name: str,
        scenario: Scenario,
        *,
        seed: int | None = None,
        linger_s: float = 600.0,
        pace: float | None = None,
        patience_s: float = PATIENCE_S,
    ) -> None:
        self.name = name
        self.scenario = scenario
        self.seed = scenario.seed if seed is None else seed
        self.bench = Bench(
            self.seed, scenario.start, scenario.load_cell(self.seed), scenario.room.mains_hertz
        )
        self.folder = Path(tempfile.mkdtemp(prefix="bridgebench-"))
        self.selector = selectors.DefaultSelector()
        self.devices: dict[str, Instrument] = {}
        self.wires: dict[str, Wire] = {}
        self.entries: list[Entry] = []
        self._stand_instruments()
        about = {
            "start": f"{scenario.start:%Y-%m-%dT%H:%M:%SZ}",
            "scenario": name,
            "seed": self.seed,
        }
        hands = BenchHands(self.bench, self.wires, self.devices)
        self.control = Control(
            self.bench.events,
            self.wires,
            hands,
            self.selector,
            about,
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

    def bench_file(self) -> str:
        """Return the bench file of this bench."""
        calibration = Calibration(self.scenario.calibrated(), self.scenario.due())
        return bench_file(
            self.control.address,
            self.name,
            self.scenario.timezone,
            self.entries,
            {entry.role: calibration for entry in self.entries},
            list(self.bench.crosspoints.values()),
        )

    def _stand_instruments(self) -> None:
        bench = self.bench
        meter = Multimeter("dmm", bench, "EXAMPLE,DMM 6.5,0417,1.0")
        supply = PowerSupply("supply", bench, "EXAMPLE,SUPPLY 20-0.5,0233,1.0")
        bench.crosspoints.update(matrix(TERMINALS, LEADS, self._relay))
        scanner = Scanner(
            "scanner",
            bench.events,
            "EXAMPLE,MATRIX 11X8,0108,1.0",
            list(bench.crosspoints),
            bench.relay,
        )
        tester = StartPollTester("insulation", bench, "EXAMPLE,INSULATION,0051,1.0")
        bench.electrical.update(dmm=meter, supply=supply, insulation=tester)
        bench.supplies.append(supply)
        bench.testers.append(tester)
        self._stand(meter, "scpi-dmm", meter.identification, meter_functions.accuracy())
        self._stand(supply, "scpi-supply", supply.identification, power_supply.ACCURACY)
        self._stand(scanner, "scpi-scanner", scanner.identification, ())
        self._stand(
            tester,
            "line-insulation-start-poll",
            tester.identification,
            insulation_tester.ACCURACY,
            serial=True,
        )

    def _stand(
        self,
        device: Instrument,
        dialect: str,
        identification: str,
        accuracy: Sequence[Limit],
        *,
        serial: bool = False,
    ) -> None:
        events, name = self.bench.events, device.name
        wire: Wire
        if serial:
            wire = PtyWire(name, device, events, self.selector, self.folder)
        else:
            wire = TcpWire(name, device, events, self.selector)
        device.send, device.stream = wire.send, wire.stream
        self.devices[name], self.wires[name] = device, wire
        number = identification.split(",")[2] if identification else ""
        self.entries.append(
            Entry(name, dialect, wire.resource, exactly(identification), number, accuracy)
        )

    def _relay(self, channel: int) -> Contact:
        """A relay is as its scanner promises: contact, EMF and isolation drawn within it."""
        key = (self.seed, "relay", channel)
        return Contact(
            closed_ohms=CONTACT_OHMS * (0.8 + 0.2 * drawn(*key, "contact")),
            emf_volts=EMF_VOLTS * 0.6 * drawn(*key, "emf"),
            open_ohms=ISOLATION_OHMS * (2.0 + drawn(*key, "isolation")),
        )
