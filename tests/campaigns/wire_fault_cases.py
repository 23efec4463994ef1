"""Which wire faults there are, and what comes of one of them on one link.

A fault stands at one reply (or command) and one byte of it. Faults that only copper knows (lost
bytes, wrong bits) are put on the serial line alone: TCP delivers what was sent or nothing. One
fault a case: two that conspire can defeat any check.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

from drivers.dialect import Dialect, load_dialect, shipped_names
from drivers.errors import InstrumentError
from drivers.instrument import Instrument
from tests.campaigns.wire_subjects import Subject, subject
from tests.drivers.insulation_peers import Stream
from tests.drivers.stepped_wires import Fault, SteppedWires, Wire

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
    library: str = "@py"  # the VISA library below the link


@dataclass
class Outcome:
    """What came of a case."""

    right: int = 0
    errors: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    left_on: bool = False
    replies: list[int] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)


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
        link = _Link(dialect.role, resource, dialect, wires, case.library)
        _sequence(one, link, outcome)
        outcome.left_on = _still_on(one, link, outcome)
    finally:
        wires.close()
    outcome.replies, outcome.lines = wire.lengths, [wire.lines]
    return outcome


@dataclass(frozen=True, slots=True)
class _Link:
    """Where the instrument of a case is."""

    role: str
    resource: str
    dialect: Dialect
    wires: SteppedWires
    library: str

    def open(self, kind: type[Instrument], *, only_off: bool = False) -> Instrument:
        return kind.open(
            self.role, self.resource, self.dialect, self.wires,
            library=self.library, only_off=only_off,
        )  # fmt: skip


def _sequence(one: Subject, link: _Link, outcome: Outcome) -> None:
    try:
        instrument = link.open(one.kind)
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


def _still_on(one: Subject, link: _Link, outcome: Outcome) -> bool:
    """Do what a guardian does after a run that could not prove it; return whether it is on."""
    if not one.is_on():
        return False
    try:
        with link.open(one.kind, only_off=True) as fresh:
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
