"""The bench on a morning: is every instrument there, is it the right one, is it still calibrated?

Every link is opened and closed again. Nothing is switched on and no relay is moved.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from acq.bench.bench_file import BenchFile, Instrument
from acq.bench.instruments import open_instrument
from acq.bench.roles import prove_identity
from drivers.errors import InstrumentError
from drivers.time import Time
from drivers.written_file import FileError

SOON_DAYS = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedRole:
    """What was found of one role. `failures` are one line each, empty when it is fit for use."""

    role: str
    entry: Instrument
    asked: bool = False  # it answered, and its error queue was read
    said: str = ""  # its identification, as the instrument gives it
    complaints: tuple[str, ...] = ()  # what stood in its error queue
    failures: tuple[str, ...] = ()

    def days_left(self, today: date) -> int | None:
        """How long its calibration holds, None when no due date is written down."""
        ends = self.entry.holds_until
        return None if ends is None else (ends - today).days

    def calibration(self, today: date) -> str:
        """The state of its calibration in words."""
        left = self.days_left(today)
        if self.entry.to_come(today):
            return "STILL TO COME"
        if left is None:
            return "no due date"
        if left < 0:
            return f"OVERDUE since {self.entry.holds_until}"
        return f"due in {left} days" if left <= SOON_DAYS else "in order"


def check_bench(file: BenchFile, folder: Path, time: Time, today: date) -> Iterator[CheckedRole]:
    """Yield each role of the bench, opened and closed again; `folder` holds own dialects."""
    for role, entry in file.instruments.items():
        late = []
        if entry.overdue(today):
            late.append(f"{role}: calibration overdue since {entry.holds_until}")
        if entry.to_come(today):
            late.append(f"{role}: calibrated {entry.calibrated} is still to come: mend the date")
        if entry.by_hand:
            yield CheckedRole(role=role, entry=entry, failures=tuple(late))
            continue
        said, asked = "", False
        complaints: tuple[str, ...] = ()
        try:
            with open_instrument(file, role, folder, time) as instrument:
                said = prove_identity(file, role, instrument)
                complaints = (*instrument.found_when_opened, *instrument.complaints())
                asked = True
        except (InstrumentError, FileError) as error:
            late.insert(0, f"{role}: {error}" if isinstance(error, FileError) else str(error))
        yield CheckedRole(
            role=role,
            entry=entry,
            asked=asked,
            said=said,
            complaints=complaints,
            failures=tuple(late),
        )
