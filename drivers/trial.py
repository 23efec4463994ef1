"""Tries a dialect on a real instrument, one small thing after the other, and keeps what was said.

Nothing is switched on unless a test value is given; whatever was switched on is proven off.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field

from drivers.dialect import Dialect
from drivers.dmm import Dmm
from drivers.errors import InstrumentError
from drivers.instrument import Instrument
from drivers.insulation_tester import InsulationTester
from drivers.scanner import Scanner
from drivers.source import Source
from drivers.supply import Supply
from drivers.thermometer import Thermometer
from drivers.time import Time

_KINDS: tuple[type[Instrument], ...] = (
    Dmm, Supply, InsulationTester, Scanner, Source, Thermometer,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class SwitchOn:
    """What may be switched on: volts (or the source's value), and a limit in A."""

    value: float
    limit: float | None = None
    kind: str | None = None


@dataclass(slots=True)
class Tried:
    """One thing that was tried: what was said, what came of it, or why nothing did."""

    what: str
    exchanges: list[tuple[str, str]] = field(default_factory=list)
    outcome: str = ""
    failure: str | None = None


@dataclass(slots=True)
class _Watch:
    """Collects what goes over the wire into the thing that is being tried."""

    into: list[tuple[str, str]] = field(default_factory=list)

    def __call__(self, kind: str, data: bytes) -> None:
        text = data.decode("latin-1")
        self.into.append((kind, text if kind == "matched" else repr(text)[1:-1]))


def driver_of(dialect: Dialect) -> type[Instrument]:
    """Return the driver that speaks a dialect of this role."""
    return next(kind for kind in _KINDS if dialect.role in kind.kinds)


def try_dialect(
    dialect: Dialect,
    resource: str,
    time: Time,
    *,
    library: str = "@py",
    options: Mapping[str, str] | None = None,
    quantity: str | None = None,
    range_: float | None = None,
    plc: float = 1.0,
    on: SwitchOn | None = None,
) -> Iterator[Tried]:
    """Yield each thing tried, opening first; ends after the first that the rest depends on."""
    watch = _Watch()
    opened: list[Instrument] = []

    def open_it() -> str:
        opened.append(
            driver_of(dialect).open(
                dialect.role,
                resource,
                dialect,
                time,
                library=library,
                options=options,
                watch=watch,
            )
        )
        return opened[0].identify() or "no identification in this dialect"

    first = _tried("open, identify, start up", watch, open_it)
    yield first
    if first.failure is not None:
        return
    with opened[0] as instrument:
        yield _tried("complaints", watch, lambda: "; ".join(instrument.complaints()) or "none")
        for what, action in _things(instrument, quantity, range_, plc, on):
            yield _tried(what, watch, action)
        if on is not None:
            yield _tried("off, and proven off", watch, _doing(instrument.safe_off))


def _tried(what: str, watch: _Watch, action: Callable[[], str]) -> Tried:
    tried = Tried(what)
    watch.into = tried.exchanges
    try:
        tried.outcome = action()
    except InstrumentError as error:
        tried.failure = str(error)
    return tried


def _things(
    instrument: Instrument,
    quantity: str | None,
    range_: float | None,
    plc: float,
    on: SwitchOn | None,
) -> Iterator[tuple[str, Callable[[], str]]]:
    """Yield what can be tried on this kind of instrument."""
    match instrument:
        case Dmm():
            names = [quantity] if quantity else sorted(instrument.dialect.quantities)
            for name in names:
                yield f"measure {name}", _measuring(instrument, name, range_, plc)
        case Supply():
            yield from _supply_things(instrument, on)
        case InsulationTester():
            yield from _insulation_things(instrument, on)
        case Source():
            yield from _source_things(instrument, on)
        case Scanner():
            yield "closed channels", lambda: _channels(instrument)
            if on is not None:
                yield f"close {int(on.value)}", lambda: _close(instrument, int(on.value))
        case Thermometer():
            for name in [quantity] if quantity else sorted(instrument.dialect.quantities):
                yield f"read {name}", _reading(instrument.read, name)


def _measuring(dmm: Dmm, name: str, range_: float | None, plc: float) -> Callable[[], str]:
    return lambda: str(dmm.measure(name, range_=range_, plc=plc))


def _reading(read: Callable[[str], object], name: str) -> Callable[[], str]:
    return lambda: str(read(name))


def _supply_things(supply: Supply, on: SwitchOn | None) -> Iterator[tuple[str, Callable[[], str]]]:
    yield "output", lambda: "off" if supply.is_off() else "ON"
    yield "protection", lambda: _trip_word(supply.has_tripped())
    if on is not None:
        yield (
            f"program {on.value:g} V, {on.limit or 0.01:g} A",
            _doing(lambda: supply.program(on.value, on.limit or 0.01)),
        )
        yield "switch on", _doing(supply.switch_on)
    for name in sorted(supply.dialect.quantities):
        yield f"read {name}", _reading(supply.read, name)


def _insulation_things(
    tester: InsulationTester, on: SwitchOn | None
) -> Iterator[tuple[str, Callable[[], str]]]:
    yield "voltage at the terminals", lambda: str(tester.applied_volts())
    if on is not None:
        yield f"start at {on.value:g} V", _doing(lambda: tester.start(on.value))
        yield "read", lambda: str(tester.read())
        yield "stop, and proven off", _doing(tester.stop)


def _source_things(source: Source, on: SwitchOn | None) -> Iterator[tuple[str, Callable[[], str]]]:
    if on is not None:
        kind = on.kind or sorted(source.dialect.source)[0]
        yield (
            f"program {kind} {on.value:g}",
            _doing(lambda: source.program(kind, on.value, on.limit)),
        )
        yield "switch on", _doing(source.switch_on)
    for name in sorted(source.dialect.quantities):
        yield f"read {name}", _reading(source.read, name)


def _trip_word(tripped: bool | None) -> str:
    return {True: "TRIPPED", False: "not tripped", None: "cannot be asked"}[tripped]


def _channels(scanner: Scanner) -> str:
    return ", ".join(map(str, sorted(scanner.closed()))) or "none"


def _close(scanner: Scanner, channel: int) -> str:
    scanner.close_only([channel])
    return _channels(scanner)


def _doing(action: Callable[[], None]) -> Callable[[], str]:
    def done() -> str:
        action()
        return "done"

    return done
