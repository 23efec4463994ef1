"""Opens one role of a bench file with the driver that serves it."""

from __future__ import annotations

from pathlib import Path

from acq.bench.bench_file import BenchFile
from acq.errors import WrongInput
from drivers.dialect import load_dialect
from drivers.dmm import Dmm
from drivers.insulation_tester import InsulationTester
from drivers.scanner import Scanner
from drivers.supply import Supply
from drivers.time import Time

Instrument = Dmm | InsulationTester | Scanner | Supply

_DRIVERS: dict[str, type[Dmm] | type[InsulationTester] | type[Scanner] | type[Supply]] = {
    "dmm": Dmm,
    "second-dmm": Dmm,
    "insulation": InsulationTester,
    "scanner": Scanner,
    "supply": Supply,
}


def open_instrument(file: BenchFile, role: str, folder: Path, time: Time) -> Instrument:
    """Open the link to one role; the caller closes it.

    `folder` is where the bench file lies: its dialect paths start there. Raises FileError for
    the dialect, InstrumentError for the link, WrongInput when nothing drives this role.
    """
    entry = file.instruments[role]
    driver = _DRIVERS.get(role)
    if driver is None:
        raise WrongInput(f"role {role} has no driver; set by_hand = true in {file.name!r}")
    dialect = load_dialect(entry.dialect, folder)
    return driver.open(role, entry.resource, dialect, time, library=entry.visa_library)
