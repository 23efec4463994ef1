"""Every wire fault at every point of a measuring sequence, for every shipped dialect, on two links.

    python -m tests.campaigns.wire_faults               12 000 cases drawn from all
    python -m tests.campaigns.wire_faults 0             all of them
    ... --minutes 10                                    what can be had in that time

The long form writes tests/campaigns/wire_faults_table.md.

A case is one dialect, one link, one fault at one reply (or command) and one byte of it. The
driver then goes through its sequence; after an error it goes on, as a run that repeats would.
Outcomes: every value is the right one; or an error was told and what came after is right again;
or, the only forbidden one, a number or a state that is wrong. What was switched on must be off
at the end. The instruments are those of the drivers' tests: they know their own truth.

Faults that only copper knows (lost bytes, wrong bits) are put on the serial line alone: TCP
delivers what was sent or nothing. One fault a case: two that conspire can defeat any check.
"""

from __future__ import annotations

import argparse
import math
import random
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from drivers.dialect import Dialect, load_dialect, shipped_names
from drivers.dmm import Dmm
from drivers.errors import InstrumentError
from drivers.instrument import Instrument
from drivers.insulation_tester import InsulationTester
from drivers.scanner import Scanner
from drivers.source import Source
from drivers.supply import Supply
from drivers.thermometer import Thermometer
from tests.drivers.instruments_met import Meter, PowerSupply, Relays, Scpi
from tests.drivers.insulation_peers import HighVoltage, Request, StartPoll, Stream
from tests.drivers.stepped_wires import Fault, SteppedWires, Wire
from tests.drivers.test_source import Calibrator
from tests.drivers.test_supply import TwoOutputs

Truth = float | bool | frozenset[int] | None

TABLE = Path(__file__).with_name("wire_faults_table.md")
CASES = 12_000
SEED = 20260302
LINKS = ("tcp", "serial")
ANYWHERE = (
    ("late", (0.2, 3.0)),
    ("split", (0.05, 3.0)),
    ("twice", (0.0, 0.005, 0.05, 3.0)),
    ("one behind", (0.0, 0.005, 0.05)),
    ("extra line", (0.0, 0.005, 0.05)),
    ("half", (0.0,)),
    ("silent", (0.0,)),
    ("stale", (0.0,)),
    ("closed", (0.0,)),
    ("reset", (0.0,)),
    ("power cycle", (0.0,)),
    ("power cycle after", (0.0,)),
)
COPPER = (
    "lost byte", "wrong bit", "wrong bits", "noise byte", "doubled byte", "break",
    "flow control byte", "command: lost byte", "command: wrong bit", "command: lost",
)  # fmt: skip
WITH_A_PLACE = ("split", "half", "closed", "reset", "power cycle", *COPPER[:9])


@dataclass(frozen=True, slots=True)
class Case:
    """One fault on one link of one dialect."""

    dialect: str
    link: str
    fault: Fault | None


@dataclass
class Outcome:
    """What came of a case."""

    right: int = 0
    errors: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    left_on: bool = False
    replies: list[int] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)


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


def run_case(case: Case) -> Outcome:
    """Go through one sequence with one fault; the truth is compared at each step."""
    dialect = load_dialect(case.dialect)
    wires = SteppedWires()
    one = subject(case.dialect, lambda: wires.now_ns() / 1e9)
    wire = Wire(
        one.obey,
        dialect.link.command_end.encode(),
        dialect.link.reply_end.encode(),
        fault=case.fault,
        power_cycle=one.power_up,
    )
    serve = wires.on_tcp if case.link == "tcp" else wires.on_pty
    resource = serve(dialect.role, wire)
    if isinstance(one.obey, Stream):
        lines = one.obey
        wires.every(0.4, lambda: wires.emit(wire, lines.line().encode() + b"\r\n", 0.0))
    outcome = Outcome()
    try:
        _sequence(one, dialect, resource, wires, outcome)
        outcome.left_on = _still_on(one, dialect, resource, wires, outcome)
    finally:
        wires.close()
    outcome.replies, outcome.lines = wire.lengths, [wire.lines]
    return outcome


def _sequence(
    one: Subject, dialect: Dialect, resource: str, wires: SteppedWires, outcome: Outcome
) -> None:
    try:
        instrument = one.kind.open(dialect.role, resource, dialect, wires)
    except InstrumentError as error:
        outcome.errors.append(f"open: {error}")
        return
    with instrument:
        for thing in one.things(instrument, one.obey):
            try:
                wrong = thing.wrong()
            except InstrumentError as error:
                outcome.errors.append(f"{thing.what}: {error}")
                continue
            if wrong is None:
                outcome.right += 1
            else:
                outcome.wrong.append(wrong)
        try:
            instrument.safe_off()
        except InstrumentError as error:
            outcome.errors.append(f"safe off: {error}")
        else:
            if one.is_on():
                outcome.wrong.append("proven off, and on")


def _still_on(
    one: Subject, dialect: Dialect, resource: str, wires: SteppedWires, outcome: Outcome
) -> bool:
    """Do what a guardian does after a run that could not prove it; return whether it is on."""
    if not one.is_on():
        return False
    try:
        with one.kind.open(dialect.role, resource, dialect, wires, only_off=True) as fresh:
            fresh.safe_off()
    except InstrumentError as error:
        outcome.errors.append(f"guardian: {error}")
    return one.is_on()


def all_cases() -> list[Case]:
    """Return every fault at every reply, command and byte of every sequence."""
    return [case for name in shipped_names() for link in LINKS for case in cases_of(name, link)]


def cases_of(name: str, link: str) -> list[Case]:
    """Return all cases of one dialect on one link; its sequence must go well without a fault."""
    clean = run_case(Case(name, link, None))
    if clean.wrong or clean.errors or clean.left_on:
        raise AssertionError(f"{name} over {link} without a fault: {clean.wrong}, {clean.errors}")
    return [Case(name, link, fault) for fault in _faults(clean, link)]


def _faults(clean: Outcome, link: str) -> Iterator[Fault]:
    for number, length in enumerate(clean.replies):
        for kind, delays in ANYWHERE:
            for seconds in delays:
                yield from _places(Fault(kind, number, 0, seconds), length)
        if link == "serial":
            for kind in COPPER[:7]:
                yield from _places(Fault(kind, number), length)
    if link == "serial":
        for number in range(clean.lines[0]):
            for kind in COPPER[7:]:
                yield from _places(Fault(kind, number), 24)


def _places(fault: Fault, length: int) -> Iterator[Fault]:
    if fault.kind not in WITH_A_PLACE:
        yield fault
        return
    for place in range(length):
        yield replace(fault, place=place)


Tallies = dict[tuple[str, str], Counter[str]]


def campaign(
    cases: list[Case], until: float = math.inf
) -> tuple[Tallies, list[tuple[Case, Outcome]]]:
    """Run cases until they or the time (`time.monotonic`) are over.

    Returns the tallies by dialect and link, and the forbidden outcomes.
    """
    tallies: Tallies = {}
    forbidden = []
    for case in cases:
        if time.monotonic() > until:
            break
        outcome = run_case(case)
        _count(tallies.setdefault((case.dialect, case.link), Counter()), outcome)
        if outcome.wrong or outcome.left_on:
            forbidden.append((case, outcome))
    return tallies, forbidden


def _count(tally: Counter[str], outcome: Outcome) -> None:
    tally["cases"] += 1
    tally["right values"] += outcome.right
    tally["wrong values"] += len(outcome.wrong)
    tally["errors told"] += len(outcome.errors)
    tally["left on"] += outcome.left_on
    if not outcome.errors:
        tally["unharmed"] += 1
    elif outcome.right:
        tally["recovered"] += 1
    else:
        tally["refused"] += 1


COLUMNS = ("cases", "unharmed", "recovered", "refused", "errors told", "right values",
           "wrong values", "left on")  # fmt: skip


def table(tallies: Tallies, heading: str) -> str:
    """Return the tallies by dialect and link, and their sum, as a table."""
    rows = [("dialect", "link", *COLUMNS), ("---",) * (2 + len(COLUMNS))]
    total: Counter[str] = Counter()
    for (dialect, link), tally in sorted(tallies.items()):
        total += tally
        rows.append((dialect, link, *(str(tally[column]) for column in COLUMNS)))
    rows.append(("**all**", "", *(f"**{total[column]}**" for column in COLUMNS)))
    return heading + "\n".join("| " + " | ".join(row) + " |" for row in rows) + "\n"


def drawn(cases: list[Case], count: int, seed: int = SEED) -> list[Case]:
    """Return `count` cases, the same for the same seed; all when `count` is 0."""
    if not count or count >= len(cases):
        return cases
    return random.Random(seed).sample(cases, count)


HEADING = """# Wire faults

Written by `python -m tests.campaigns.wire_faults` on {date} (seed {seed}): {run} of the
{every} cases that exist, drawn at random, in {seconds:.0f} s. One fault a case; what each is
says the head of that file. *Unharmed*: every value right and no error told. *Recovered*: an
error was told and right values came too. *Refused*: an error, and no value at all. *Left on*:
still on after the guardian's attempt.

"""


def main() -> None:
    """Run the long form, write its table and print what was forbidden."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("cases", type=int, nargs="?", default=CASES)
    parser.add_argument("--minutes", type=float, default=math.inf)
    given = parser.parse_args()
    every = all_cases()
    started = time.monotonic()
    cases = drawn(every, given.cases)
    tallies, forbidden = campaign(cases, started + 60.0 * given.minutes)
    heading = HEADING.format(
        date=datetime.now(UTC).date(),
        seed=SEED,
        run=sum(tally["cases"] for tally in tallies.values()),
        every=len(every),
        seconds=time.monotonic() - started,
    )
    TABLE.write_text(table(tallies, heading), encoding="utf-8")
    said = [f"{case} {outcome.wrong} {outcome.left_on}" for case, outcome in forbidden[:50]]
    sys.stdout.write("\n".join([str(TABLE), *said]) + "\n")


if __name__ == "__main__":
    main()
