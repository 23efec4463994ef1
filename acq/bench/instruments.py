"""Opens one role of a bench file: with the driver that serves it, or with a person as its wire."""

from __future__ import annotations

from difflib import get_close_matches
from pathlib import Path

from acq.bench.bench_file import BenchFile
from acq.bench.by_hand import HandInstrument, HandMeter, HandSupply, HandTester
from acq.bench.hands import Hands
from acq.errors import WrongInput
from drivers.dialect import SENSORS, Dialect, load_dialect, shipped_names
from drivers.dmm import Dmm
from drivers.insulation_tester import InsulationTester
from drivers.scanner import Scanner
from drivers.source import Source
from drivers.supply import Supply
from drivers.thermometer import Thermometer
from drivers.time import Time
from drivers.written_file import FileError

Instrument = Dmm | InsulationTester | Scanner | Source | Supply | Thermometer

_DRIVERS: dict[str, type[Instrument]] = {
    "dmm": Dmm,
    "second-dmm": Dmm,
    "insulation": InsulationTester,
    "scanner": Scanner,
    "source": Source,
    "supply": Supply,
    "thermometer": Thermometer,
    "hygrometer": Thermometer,
    "barometer": Thermometer,
    "reference-indicator": Thermometer,
}
_BY_HAND: dict[str, type[HandInstrument]] = {
    "dmm": HandMeter,
    "second-dmm": HandMeter,
    "insulation": HandTester,
    "supply": HandSupply,
}


def open_instrument(file: BenchFile, role: str, folder: Path, time: Time) -> Instrument:
    """Open the link to one role; the caller closes it.

    `folder` is where the bench file lies: its dialect paths start there. Raises FileError for
    the dialect, InstrumentError for the link, WrongInput for a role that a person serves.
    """
    entry = file.instruments[role]
    if entry.by_hand:
        raise WrongInput(f"{role} has no link in {file.name!r}: a person reads it")
    dialect = dialect_of(file, role, folder)
    return _DRIVERS[role].open(
        role,
        entry.resource,
        dialect,
        time,
        library=entry.visa_library,
        options=entry.options,
    )


def dialect_of(file: BenchFile, role: str, folder: Path) -> Dialect:
    """Return the dialect of a role with a link, fit for it.

    Raises FileError that names the bench and the key: a dialect that there is not or that is
    another role's, an option that it does not have.
    """
    entry, bench = file.instruments[role], f"bench {file.name!r}"
    key = f"instruments.{role}.dialect"
    if not entry.dialect.endswith(".toml") and entry.dialect not in shipped_names():
        near = get_close_matches(entry.dialect, shipped_names(), n=2) or shipped_names()
        raise FileError(
            bench, key, f"{entry.dialect!r} is not shipped; try {' or '.join(near)}, or a file of"
            " your own that ends in .toml",
        )  # fmt: skip
    dialect = load_dialect(entry.dialect, folder)
    if dialect.role not in kinds_of(role):
        raise FileError(bench, key, f"{entry.dialect} is for a {dialect.role}")
    for name in entry.options:
        if name not in dialect.options:
            known = ", ".join(dialect.options) or "none"
            reason = f"{entry.dialect} has no such option; it has {known}"
            raise FileError(bench, f"instruments.{role}.options.{name}", reason)
    return dialect


def kinds_of(role: str) -> frozenset[str]:
    """Return the roles that a dialect may name to serve this one."""
    return frozenset({role}) if role in SENSORS else _DRIVERS[role].kinds


def instrument_by_hand(role: str, hands: Hands, time: Time) -> HandInstrument:
    """Return one role as a person serves it."""
    return _BY_HAND.get(role, HandInstrument)(role, hands, time)
