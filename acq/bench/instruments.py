"""Opens one role of a bench file: with the driver that serves it, or with a person as its wire."""

from __future__ import annotations

from pathlib import Path

from acq.bench.bench_file import BenchFile
from acq.bench.by_hand import HandInstrument, HandMeter, HandSupply, HandTester
from acq.bench.hands import Hands
from acq.errors import WrongInput
from drivers.dialect import SENSORS, load_dialect
from drivers.dmm import Dmm
from drivers.insulation_tester import InsulationTester
from drivers.scanner import Scanner
from drivers.source import Source
from drivers.supply import Supply
from drivers.thermometer import Thermometer
from drivers.time import Time

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
    dialect = load_dialect(entry.dialect, folder)
    return _DRIVERS[role].open(
        role,
        entry.resource,
        dialect,
        time,
        library=entry.visa_library,
        options=entry.options,
    )


def kinds_of(role: str) -> frozenset[str]:
    """Return the roles that a dialect may name to serve this one."""
    return frozenset({role}) if role in SENSORS else _DRIVERS[role].kinds


def instrument_by_hand(role: str, hands: Hands, time: Time) -> HandInstrument:
    """Return one role as a person serves it."""
    return _BY_HAND.get(role, HandInstrument)(role, hands, time)
