"""The bench file: which instruments stand on the bench, how good they are, what joins what."""

from __future__ import annotations

import re
from datetime import date, timedelta
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo

from pydantic import Field, field_validator, model_validator

from acq.bench.relay_file import TERMINALS_OF, Connections
from acq.bench.rig_file import Rig, dates_in_order
from acq.readings.correction import Correction, each_once
from acq.readings.specification import Accuracy, check_entries, holds_days, in_their_time
from drivers.written_file import FileError, Written, check, read_file

ROLES = (
    "dmm",
    "second-dmm",
    "supply",
    "insulation",
    "source",
    "scanner",
    "thermometer",
    "hygrometer",
    "barometer",
    "reference-indicator",
)


# far beyond every accuracy class of a weight (common practice, no source)
_WEIGHT_WITHIN = 0.05


class Instrument(Written):
    """One instrument of the bench. A role without a resource is read by a person."""

    resource: str = ""
    dialect: str = ""
    by_hand: bool = False
    visa_library: str = "@py"
    options: dict[str, str] = Field(default_factory=dict)
    identity: str = ""
    description: str = ""
    serial: str = ""
    certificate: str = ""
    laboratory: str = ""
    calibrated: date | None = None
    due: date | None = None
    accuracy: tuple[Accuracy, ...] = ()
    correction: tuple[Correction, ...] = ()
    maximum_amperes: Annotated[float, Field(gt=0)] | None = None  # that a supply can give

    @field_validator("identity")
    @classmethod
    def _is_a_pattern(cls, pattern: str) -> str:
        try:
            re.compile(pattern)
        except re.error as error:
            raise ValueError(f"is no regular expression: {error}, got {pattern!r}") from None
        return pattern

    @field_validator("correction")
    @classmethod
    def _one_table_each(cls, entries: tuple[Correction, ...]) -> tuple[Correction, ...]:
        each_once(entries)
        return entries

    @field_validator("accuracy")
    @classmethod
    def _one_entry_each(cls, entries: tuple[Accuracy, ...]) -> tuple[Accuracy, ...]:
        check_entries(entries)
        return entries

    @model_validator(mode="after")
    def _dates_in_order(self) -> Instrument:
        dates_in_order(self.calibrated, self.due)
        if self.calibrated is None and any(entry.within_days for entry in self.accuracy):
            raise ValueError("accuracy has within_days: the key calibrated is needed")
        return self

    @model_validator(mode="after")
    def _reachable_or_by_hand(self) -> Instrument:
        if self.by_hand and self.resource:
            raise ValueError("has a resource and by_hand = true: keep one of them")
        if not self.by_hand and not (self.resource and self.dialect):
            raise ValueError("needs resource and dialect, or by_hand = true")
        return self

    @property
    def holds_until(self) -> date | None:
        """Its due date, or the day on which its accuracy ends where that comes first."""
        days = holds_days(self.accuracy)
        if days is None or self.calibrated is None:
            return self.due
        ends = self.calibrated + timedelta(days=days)
        return ends if self.due is None else min(self.due, ends)

    def overdue(self, today: date) -> bool:
        """Whether its calibration has run out on that day."""
        return self.holds_until is not None and self.holds_until < today

    def to_come(self, today: date) -> bool:
        """Whether it is said to be calibrated on a day that has not come: a slip of the pen."""
        return self.calibrated is not None and self.calibrated > today

    def accuracy_on(self, day: date) -> tuple[Accuracy, ...]:
        """Return what the manual says of it so long after its calibration."""
        age = None if self.calibrated is None else (day - self.calibrated).days
        return in_their_time(self.accuracy, age)


class Weight(Written):
    """One weight, or a set of equal ones, that loads a cell. Nobody opens it: a plain table."""

    nominal_kilograms: Annotated[float, Field(gt=0)]
    pieces: Annotated[int, Field(ge=1)] = 1
    conventional_kilograms: Annotated[float, Field(gt=0)] | None = None
    expanded_uncertainty_kilograms: Annotated[float, Field(ge=0)] | None = None
    coverage_factor: Annotated[float, Field(gt=0)] = 2.0
    accuracy_class: str = ""
    serial: str = ""
    certificate: str = ""
    laboratory: str = ""
    calibrated: date | None = None
    due: date | None = None

    @model_validator(mode="after")
    def _as_its_certificate_says(self) -> Weight:
        dates_in_order(self.calibrated, self.due)
        found, nominal = self.conventional_kilograms, self.nominal_kilograms
        if found is not None and abs(found - nominal) > _WEIGHT_WITHIN * nominal:
            raise ValueError(
                f"conventional_kilograms {found:g} is not near nominal_kilograms {nominal:g}: give"
                " that of one piece"
            )
        return self


class Simulation(Written):
    """Where the simulated bench is led from."""

    control: str
    scenario: str


class BenchFile(Written):
    """A whole bench file."""

    name: str
    timezone: str = "UTC"
    workshop: str = ""
    simulation: Simulation | None = None
    instruments: dict[str, Instrument]
    connections: Connections = Connections()
    weights: tuple[Weight, ...] = ()
    rig: Rig | None = None

    @field_validator("timezone")
    @classmethod
    def _zone(cls, name: str) -> str:
        try:
            ZoneInfo(name)
        except (KeyError, ValueError, OSError):
            raise ValueError(f"no time zone {name!r}; such as Europe/Berlin or UTC") from None
        return name

    @field_validator("instruments")
    @classmethod
    def _roles(cls, instruments: dict[str, Instrument]) -> dict[str, Instrument]:
        for role in instruments:
            if role not in ROLES:
                raise ValueError(f"no role {role!r}; allowed are {', '.join(ROLES)}")
        return instruments

    @model_validator(mode="after")
    def _only_a_supply_gives_amperes(self) -> BenchFile:
        for role, instrument in self.instruments.items():
            if instrument.maximum_amperes is not None and role != "supply":
                raise ValueError(f"instruments.{role}.maximum_amperes: only a supply has it")
        return self

    @model_validator(mode="after")
    def _relays_have_a_scanner(self) -> BenchFile:
        if self.connections.relay and "scanner" not in self.instruments:
            raise ValueError("connections.relay is given but instruments.scanner is not")
        return self


def terminals_of(file: BenchFile) -> tuple[str, ...]:
    """Return the terminals of every instrument of the bench."""
    return tuple(t for role in file.instruments for t in TERMINALS_OF.get(role, ()))


def read_bench_file(path: Path) -> BenchFile:
    """Return a checked bench file; raises FileError with the key and what is allowed."""
    return read_file(path, BenchFile)


def bench_file_from_text(text: str, where: str) -> BenchFile:
    """Return a checked bench file from its text; `where` names it in errors."""
    import tomllib

    try:
        return check(where, tomllib.loads(text), BenchFile)
    except tomllib.TOMLDecodeError as error:
        raise FileError(where, "", f"is not TOML: {error}") from error
