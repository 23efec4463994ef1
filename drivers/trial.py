"""Tries a dialect on a real instrument, one small thing after the other, and keeps what was said.

Nothing is switched on unless a test value is given. Then the first failure ends it before the next
thing is told, and every way out, an interruption too, switches off and proves it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field

from drivers.dialect import Dialect
from drivers.dmm import Dmm
from drivers.errors import InstrumentError, RefusedError
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


_USUAL_LIMIT_A = 0.01  # of a supply where none is named: harms nothing on a bridge

_OFF = "off, and proven off"


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


def why_not(dialect: Dialect, on: SwitchOn) -> str:
    """Return why this kind of instrument is not switched on with these numbers, or nothing."""
    if not math.isfinite(on.value):
        return f"{on.value} is no number to switch on with"
    if on.limit is not None and not (math.isfinite(on.limit) and on.limit > 0.0):
        return f"a limit is a number above 0, got {on.limit:g}"
    if dialect.role == "scanner" and not (on.value >= 0.0 and on.value.is_integer()):
        return f"a channel is a whole number, got {on.value:g}"
    if dialect.role in ("supply", "insulation") and on.value < 0.0:
        what = {"supply": "a supply", "insulation": "an insulation tester"}[dialect.role]
        return f"{what} is not switched on with {on.value:g} V"
    return ""


def try_dialect(
    dialect: Dialect,
    resource: str,
    time: Time,
    told: Callable[[Tried], None],
    *,
    library: str = "@py",
    options: Mapping[str, str] | None = None,
    quantity: str | None = None,
    range_: float | None = None,
    plc: float = 1.0,
    on: SwitchOn | None = None,
) -> None:
    """Give `told` each thing tried, opening first; ends after the first that the rest depends on.

    With `on` that is the first failure at all; and however this is left, it is off and proven off
    first, which is the last thing told. Raises RefusedError for what `why_not` says.
    """
    if on is not None and (reason := why_not(dialect, on)):
        raise RefusedError(dialect.role, resource, reason)
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
    if first.failure is not None:
        for instrument in opened:
            instrument.close()
        told(first)
        return
    with opened[0] as instrument:
        try:
            told(first)
            for what, action in _things(instrument, quantity, range_, plc, on):
                tried = _tried(what, watch, action)
                told(tried)
                if on is not None and tried.failure is not None:
                    break
        finally:
            if on is not None:
                _off(instrument, watch, told)


def _off(instrument: Instrument, watch: _Watch, told: Callable[[Tried], None]) -> None:
    """Switch off and prove it; once more where the first interruption comes right here."""
    try:
        tried = _tried(_OFF, watch, _doing(instrument.safe_off))
    except BaseException:
        told(_tried(_OFF, watch, _doing(instrument.safe_off)))
        raise
    told(tried)


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
    yield "complaints", lambda: "; ".join(instrument.complaints()) or "none"
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
        amps = _USUAL_LIMIT_A if on.limit is None else on.limit
        yield (
            f"program {on.value:g} V, {amps:g} A",
            _doing(lambda: supply.program(on.value, amps)),
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
