"""The instruments of the wire-fault campaign: each knows its truth, and what a run does.

They are those of the drivers' tests. A `Thing` is one step of a run, compared with the truth at
that instant.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import Any

from drivers.dmm import Dmm
from drivers.instrument import Instrument
from drivers.insulation_tester import InsulationTester
from drivers.scanner import Scanner
from drivers.source import Source
from drivers.supply import Supply
from drivers.thermometer import Thermometer
from tests.drivers.instruments_met import Meter, PowerSupply, Relays, Scpi
from tests.drivers.insulation_peers import HighVoltage, Request, StartPoll, Stream
from tests.drivers.test_source import Calibrator
from tests.drivers.test_supply import TwoOutputs

Truth = float | bool | frozenset[int] | None


@dataclass(frozen=True, slots=True)
class Thing:
    """One thing that a run does, and what is true about its result.

    The truth is looked up before and after: what changes meanwhile was right in between.
    With `is_new` the result must be no older than the thing itself.
    """

    what: str
    do: Callable[[], object]
    truth: Callable[[], Truth] = lambda: None
    ratio: float = 0.0
    absolute: float = 0.0
    is_new: bool = False

    def wrong(self) -> str | None:
        """Do it; return what is wrong about the result, or None. Raises InstrumentError."""
        before = self.truth()
        said = self.do()
        after = self.truth()
        if said in (after, before) and not (self.is_new and said == before):
            return None
        if isinstance(said, float) and isinstance(before, float) and isinstance(after, float):
            low, high = sorted((before, after))
            slack = self.absolute + self.ratio * max(abs(low), abs(high))
            older = self.is_new and abs(said - before) <= slack
            if low - slack <= said <= high + slack and not older:
                return None
        return f"{self.what}: {said!r}, right is {before!r} to {after!r}"


Things = Iterator[Thing]


@dataclass
class Subject:
    """An instrument that knows its truth, and what a run does with it."""

    kind: type[Instrument]
    obey: Any
    things: Callable[[Any, Any], Things]
    is_on: Callable[[], bool] = lambda: False
    power_up: Callable[[], None] = lambda: None


def dmm_things(dmm: Dmm, meter: Meter) -> Things:
    """Yield what a run does with a meter; each reading is another number."""

    def truth(scale: float) -> Callable[[], Truth]:
        return lambda: (350.0 + meter.count) * scale

    def start_and_fetch() -> float | None:
        dmm.start("resistance", range_=1000.0)
        return dmm.fetch().value

    volts = partial(dmm.measure, "dc-voltage", range_=1.0)
    ohms = partial(dmm.measure, "resistance", range_=1000.0)
    yield Thing("volts", lambda: volts().value, truth(1e-3), 1e-9, is_new=True)
    yield Thing("ohms", lambda: ohms().value, truth(1.0), 1e-9, is_new=True)
    yield Thing("volts", lambda: volts().value, truth(1e-3), 1e-9, is_new=True)
    if "start and fetch" in dmm.capabilities:
        yield Thing("start and fetch", start_and_fetch, truth(1.0), 1e-9, is_new=True)


def supply_things(supply: Supply, peer: PowerSupply | TwoOutputs) -> Things:
    """Yield what a run does with a supply."""
    true = peer.outputs["1"] if isinstance(peer, TwoOutputs) else peer

    def off() -> Truth:
        return not true.on

    def amps() -> float:
        return true.volts() / true.load_ohms

    yield Thing("program", lambda: supply.program(5.0, 0.02, 6.0, True))
    yield Thing("on", supply.switch_on)
    yield Thing("is off", supply.is_off, off)
    yield Thing("voltage", lambda: supply.read("voltage").value, true.volts, 0.0025, 0.005)
    yield Thing("current", lambda: supply.read("current").value, amps, 0.0025, 0.0001)
    yield Thing("off", supply.switch_off)
    yield Thing("is off", supply.is_off, off)


def insulation_things(it: InsulationTester, tester: HighVoltage) -> Things:
    """Yield what a run does with an insulation tester."""

    def applied() -> float | None:
        found = it.applied_volts()
        return None if found is None else found.value

    def stop() -> bool:
        it.stop()
        return tester.on or tester.volts() > 5.0

    def ohms() -> Truth:
        return float(tester.ohms)

    # two readings one after the other may differ by 5 %: that far one is believed
    yield Thing("start", lambda: it.start(60.0))
    yield Thing("read", lambda: it.read().value, ohms, 0.05)
    yield Thing("applied", applied, tester.volts, 0.06, 1.5)
    yield Thing("read", lambda: it.read().value, ohms, 0.05)
    yield Thing("stop", stop, lambda: False)


def scanner_things(scanner: Scanner, relays: Relays) -> Things:
    """Yield what a run does with a scanner."""

    def closed() -> Truth:
        return frozenset(int(name) for name in relays.closed)

    for wanted in ({101, 205}, {101, 306}):
        yield Thing(f"close {sorted(wanted)}", partial(scanner.close_only, wanted))
        yield Thing("closed", scanner.closed, closed)
    yield Thing("open", scanner.open_all)
    yield Thing("closed", scanner.closed, closed)


def source_things(source: Source, peer: Calibrator) -> Things:
    """Yield what a run does with a source."""

    def volts() -> Truth:
        return float(peer.settings["SOUR:VOLT"]) * peer.on

    yield Thing("program", lambda: source.program("dc-voltage", 0.01, 0.02))
    yield Thing("on", source.switch_on)
    yield Thing("read", lambda: source.read("dc-voltage").value, volts, 0.001, 1e-6)
    yield Thing("is off", source.is_off, lambda: not peer.on)
    yield Thing("off", source.switch_off)


def thermometer_things(it: Thermometer, _peer: Scpi) -> Things:
    """Yield what a run does with a thermometer."""
    for _ in range(3):
        yield Thing("read", lambda: it.read().value, lambda: 23.15, 0.0, 0.21)


def _thermometer() -> Scpi:
    made = Scpi("EXAMPLE,THERMOMETER,1,1")
    made.first, made.answers = {"UNIT:TEMP": "C"}, {"MEAS:TEMP?": "+2.31500E+01"}
    made.power_up()
    return made


class MeasuringMeter(Meter):
    """MEASure with range and resolution, as the meter of that dialect has it."""

    def __call__(self, line: str) -> str | None:
        if line.startswith("MEAS:"):
            header, _, argument = line[5:].partition("? ")
            if header not in self.RANGES:
                self.errors.append('-113,"Undefined header"')
                return None
            self.function = header
            try:
                self._set_range(header, argument.split(",")[0])
            except ValueError:
                self.errors.append('-120,"Numeric data error"')
                return None
            return None if self.errors else super().__call__("READ?")
        return super().__call__(line)


def subject(name: str, now: Callable[[], float]) -> Subject:
    """Return a fresh instrument for a shipped dialect."""
    if name.startswith("scpi-dmm"):
        meter = MeasuringMeter() if name.endswith("measure") else Meter()
        return Subject(Dmm, meter, dmm_things, power_up=meter.power_up)
    if name == "scpi-supply":
        supply = PowerSupply()
        return Subject(Supply, supply, supply_things, lambda: supply.on, supply.power_up)
    if name.startswith("scpi-supply"):
        outputs = TwoOutputs()
        return Subject(Supply, outputs, supply_things, outputs.any_on, outputs.power_up)
    if name == "scpi-source":
        source = Calibrator()
        return Subject(Source, source, source_things, lambda: source.on, source.power_up)
    if name == "scpi-scanner":
        relays = Relays()
        return Subject(Scanner, relays, scanner_things, lambda: bool(relays.closed),
                       relays.power_up)  # fmt: skip
    if name == "scpi-thermometer":
        thermometer = _thermometer()
        return Subject(Thermometer, thermometer, thermometer_things, power_up=thermometer.power_up)
    testers: dict[str, type[HighVoltage]] = {
        "line-insulation-start-poll": StartPoll,
        "line-insulation-request": Request,
        "line-insulation-stream": Stream,
    }
    tester = testers[name](now)
    return Subject(InsulationTester, tester, insulation_things,
                   lambda: tester.on or tester.volts() > 5.0, tester.power_up)  # fmt: skip
