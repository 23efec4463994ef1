"""Everything that can put energy on a cell, off and proven off, over fresh links.

Used by the guardian when a run is gone. Order: what is most dangerous to a hand first.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from acq.bench.bench_file import BenchFile
from acq.bench.instruments import open_instrument
from drivers.errors import InstrumentError
from drivers.time import Time
from drivers.written_file import FileError

ENERGY = ("insulation", "supply", "source", "scanner")


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of switching one instrument off."""

    role: str
    proven: bool
    reason: str = ""


def energy_roles(file: BenchFile) -> tuple[str, ...]:
    """The roles of this bench that have to be switched off, in the order to do it."""
    return tuple(
        role for role in ENERGY if role in file.instruments and not file.instruments[role].by_hand
    )


def make_safe(file: BenchFile, folder: Path, time: Time) -> Iterator[Outcome]:
    """Open each link anew, switch off, prove it; yields an outcome for each role."""
    for role in energy_roles(file):
        try:
            with open_instrument(file, role, folder, time) as instrument:
                instrument.safe_off()
        except (InstrumentError, FileError) as error:
            yield Outcome(role, proven=False, reason=str(error))
        else:
            yield Outcome(role, proven=True)
