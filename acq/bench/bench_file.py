"""The bench file: which instruments stand on the bench, how good they are, what joins what."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Annotated

from pydantic import Field, field_validator, model_validator

from acq.analysis.leads import Lead
from acq.bench.connections import Join
from acq.bench.rig_file import Rig
from acq.readings.specification import Accuracy
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
_TERMINALS = {
    "dmm": ("dmm HI", "dmm LO", "dmm sense HI", "dmm sense LO"),
    "second-dmm": ("second-dmm HI", "second-dmm LO", "second-dmm sense HI", "second-dmm sense LO"),
    "supply": ("supply +", "supply -", "supply sense +", "supply sense -"),
    "insulation": ("insulation +", "insulation -", "insulation guard"),
    "source": ("source +", "source -"),
}
TERMINALS = tuple(terminal for terminals in _TERMINALS.values() for terminal in terminals)


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

    @model_validator(mode="after")
    def _reachable_or_by_hand(self) -> Instrument:
        if self.by_hand and self.resource:
            raise ValueError("has a resource and by_hand = true: keep one of them")
        if not self.by_hand and not (self.resource and self.dialect):
            raise ValueError("needs resource and dialect, or by_hand = true")
        return self

    def overdue(self, today: date) -> bool:
        """Whether its calibration has run out on that day."""
        return self.due is not None and self.due < today


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


class RelayValues(Written):
    """What a relay adds to what it joins."""

    contact_ohms: Annotated[float, Field(ge=0)] = 0.0
    emf_volts: Annotated[float, Field(ge=0)] = 0.0
    isolation_ohms: Annotated[float, Field(gt=0)] | None = None
    maximum_volts: Annotated[float, Field(gt=0)] | None = None


class Relay(RelayValues):
    """One relay: the channel that joins one terminal to one lead."""

    channel: Annotated[int, Field(gt=0)]
    terminal: str
    lead: Lead

    @field_validator("terminal")
    @classmethod
    def _known(cls, terminal: str) -> str:
        if terminal not in TERMINALS:
            raise ValueError(f"no terminal {terminal!r}; allowed are {', '.join(TERMINALS)}")
        return terminal


class Connections(Written):
    """What the scanner can join; everything else a person clips."""

    defaults: RelayValues = RelayValues()
    relay: tuple[Relay, ...] = ()

    @model_validator(mode="after")
    def _each_once(self) -> Connections:
        for what, values in (
            ("channel", [relay.channel for relay in self.relay]),
            ("join", [(relay.terminal, relay.lead.value) for relay in self.relay]),
        ):
            twice = [value for value, count in Counter(values).items() if count > 1]
            if twice:
                raise ValueError(f"{what} {twice[0]} stands here twice")
        return self

    def channels(self) -> Mapping[Join, int]:
        """Return the channel of every join that the scanner can make."""
        return {Join(relay.terminal, relay.lead): relay.channel for relay in self.relay}

    def maximum_volts(self) -> float | None:
        """The lowest voltage that any relay stands, V; None when none is stated."""
        stated = [relay.maximum_volts or self.defaults.maximum_volts for relay in self.relay]
        return min((volts for volts in stated if volts is not None), default=None)


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

    @field_validator("instruments")
    @classmethod
    def _roles(cls, instruments: dict[str, Instrument]) -> dict[str, Instrument]:
        for role in instruments:
            if role not in ROLES:
                raise ValueError(f"no role {role!r}; allowed are {', '.join(ROLES)}")
        return instruments

    @model_validator(mode="after")
    def _relays_have_a_scanner(self) -> BenchFile:
        if self.connections.relay and "scanner" not in self.instruments:
            raise ValueError("connections.relay is given but instruments.scanner is not")
        return self


def terminals_of(file: BenchFile) -> tuple[str, ...]:
    """Return the terminals of every instrument of the bench."""
    return tuple(t for role in file.instruments for t in _TERMINALS.get(role, ()))


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
