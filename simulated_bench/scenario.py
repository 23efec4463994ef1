"""A scenario: what stands on the bench, which cell lies there, what is wrong with it.

TOML, checked; a mistake names the file, the key and what is allowed. `scenarios/README.md` tells
every key. This package reads its files by itself: it shares no reader with the other packages.
"""

from __future__ import annotations

import tomllib
from collections import Counter
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Annotated, Literal, get_args
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import (
    Field,
    ValidationError,
    field_validator,
    model_validator,
)

from simulated_bench.papers import BREAKS_AT, CELLS
from simulated_bench.scenario_cell import CellTable as CellTable
from simulated_bench.scenario_cell import MoistureTable as MoistureTable
from simulated_bench.scenario_chain import ChainTable
from simulated_bench.scenario_expectation import CHECK_STANDARD
from simulated_bench.scenario_expectation import Expectation as Expectation
from simulated_bench.scenario_faults import FaultTable, contradiction
from simulated_bench.scenario_lot import LotTable, outside
from simulated_bench.wire_faults import FaultError, WireFault, read_fault
from simulated_bench.written import Ohms, Seconds, Written

SCENARIOS = Path(__file__).parent / "scenarios"

Role = Literal[
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
]
USUAL: tuple[Role, ...] = ("dmm", "supply", "scanner", "insulation")
"""Instruments that are there without being named."""
ROLES: tuple[Role, ...] = get_args(Role)
MANNERS: dict[str, tuple[str, ...]] = {
    "dmm": ("scpi-dmm", "scpi-dmm-function", "scpi-dmm-measure"),
    "second-dmm": ("scpi-dmm", "scpi-dmm-function", "scpi-dmm-measure"),
    "supply": ("scpi-supply", "scpi-supply-select", "scpi-supply-list"),
    "insulation": (
        "line-insulation-start-poll",
        "line-insulation-request",
        "line-insulation-stream",
    ),
    "source": ("scpi-source",),
    "scanner": ("scpi-scanner",),
    "thermometer": ("scpi-thermometer",),
    "hygrometer": ("by-eye",),
    "barometer": ("by-eye",),
    "reference-indicator": ("by-eye",),
}


class ScenarioError(Exception):
    """A scenario that cannot be read or contradicts itself: file, key, reason in one line."""

    def __init__(self, file: Path | str, key: str, reason: str) -> None:
        self.file, self.key, self.reason = str(file), key, " ".join(reason.split())
        super().__init__(": ".join(part for part in (self.file, key, self.reason) if part))


RoomCelsius = Annotated[float, Field(ge=-40, le=80)]
Kilograms = Annotated[float, Field(ge=0)]
ONLY: dict[str, str] = {
    "volts": "insulation",
    "baud": "insulation",
    "stuck": "scanner",
    "contact_ohms": "scanner",
    "emf_volts": "scanner",
    "isolation_ohms": "scanner",
    "earthed": "source",
}
"""Keys of a single instrument."""


class WaveTable(Written):
    """A swing of the room's temperature, K and s."""

    amplitude: Annotated[float, Field(ge=-50, le=50)]
    period: Annotated[float, Field(ge=1, le=1e9)]
    phase: Annotated[float, Field(ge=-100, le=100)] = 0.0


class RoomTable(Written):
    """The surroundings. `profile` are points (s, degC) instead of one temperature."""

    celsius: RoomCelsius = 22.3
    profile: tuple[tuple[Seconds, RoomCelsius], ...] = ()
    waves: tuple[WaveTable, ...] = ()
    humidity_percent: Annotated[float, Field(ge=0, le=100)] = 45.0
    pascals: Annotated[float, Field(ge=30_000, le=120_000)] = 101_325.0
    mains_hertz: Annotated[float, Field(ge=45, le=65)] = 50.0

    @field_validator("profile")
    @classmethod
    def _rising(cls, profile: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
        times = [at for at, _ in profile]
        if times != sorted(set(times)):
            raise ValueError("the times of a profile must rise")
        return profile

    @model_validator(mode="after")
    def _one_temperature(self) -> RoomTable:
        if self.profile and "celsius" in self.model_fields_set:
            raise ValueError("celsius and profile: one of them says how warm it is")
        return self


class InstrumentTable(Written):
    """One instrument: how it speaks, whether it is there, how good it is, what is wrong.

    `errors` multiplies the errors drawn inside the specification (above 1 it may be outside),
    `accuracy` multiplies the specification itself, errors and bench file alike. `baud` is the
    speed of a serial line: at another one both sides read rubbish; without it any speed does.
    `earthed` ties a source's minus to earth.
    """

    manner: str | None = None
    missing: bool = False
    by_hand: bool = False
    calibrated: date | None = None
    due: date | None = None
    errors: Annotated[float, Field(ge=0, le=1e4)] = 1.0
    accuracy: Annotated[float, Field(gt=0, le=1e4)] = 1.0
    volts: Annotated[int, Field(ge=10, le=1000)] | None = None
    baud: Literal[1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200] | None = None
    stuck: tuple[int, ...] = ()
    earthed: bool = False
    contact_ohms: Ohms = 0.3
    emf_volts: Annotated[float, Field(ge=0, le=1)] = 1e-6
    isolation_ohms: Ohms = 1e12

    @model_validator(mode="after")
    def _there_or_not(self) -> InstrumentTable:
        if self.missing and self.model_fields_set - {"missing"}:
            raise ValueError("missing: an instrument that is not there has no other keys")
        if self.calibrated and self.due and self.due <= self.calibrated:
            raise ValueError("due: a calibration holds up to a day after calibrated")
        if self.isolation_ohms <= self.contact_ohms:
            raise ValueError("isolation_ohms: is above contact_ohms")
        return self


class RigTable(Written):
    """What loads the cell: weights, a lever with weights, or a jack with a reference cell.

    `errors` multiplies what is drawn within the certificates; `swing` is part of a load step, its
    frequency in Hz.
    """

    kind: Literal["weights", "hydraulic", "lever"] = "weights"
    errors: Annotated[float, Field(ge=0)] = 1.0
    swing: Annotated[float, Field(ge=0, le=0.1)] = 5e-4
    swing_hertz: Annotated[float, Field(gt=0, le=50.0)] = 0.8
    leak_per_minute: Annotated[float, Field(ge=0, le=0.01)] = 2e-4

    @model_validator(mode="after")
    def _keys_fit_the_kind(self) -> RigTable:
        jack = self.kind == "hydraulic"
        for key in ("swing", "swing_hertz") if jack else ("leak_per_minute",):
            if key in self.model_fields_set:
                raise ValueError(f"{key}: a rig of kind {self.kind} has none")
        return self


class LoadTable(Written):
    """A load that somebody hangs at a bench time."""

    at: Seconds
    kilograms: Kilograms


class MistakeTable(Written):
    """A hand that slips: the n-th clip lands on another lead, the n-th load is another one."""

    clip: Annotated[int, Field(gt=0)] | None = None
    lead: str | None = None
    load: Annotated[int, Field(gt=0)] | None = None
    kilograms: Kilograms | None = None

    @model_validator(mode="after")
    def _one_thing(self) -> MistakeTable:
        if (self.clip is None) == (self.load is None):
            raise ValueError("a mistake is in one clip or in one load")
        if self.clip is not None and (self.lead is None or self.kilograms is not None):
            raise ValueError("a mistake in a clip needs the key lead, and only that")
        if self.load is not None and (self.kilograms is None or self.lead is not None):
            raise ValueError("a mistake in a load needs the key kilograms, and only that")
        return self


class HandsTable(Written):
    """Clumsy hands: the share of clips, loads and typed readings that come out wrong, drawn."""

    wrong_clips: Annotated[float, Field(ge=0, le=1)] = 0.0
    wrong_loads: Annotated[float, Field(ge=0, le=1)] = 0.0
    misread: Annotated[float, Field(ge=0, le=1)] = 0.0


class Scenario(Written):
    """A whole scenario file."""

    title: str = ""
    seed: Annotated[int, Field(ge=0)] = 1
    start: datetime = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
    timezone: str = "Europe/Berlin"
    room: RoomTable = RoomTable()
    cell: CellTable = CellTable()
    lot: LotTable | None = None
    chain: ChainTable | None = None
    instruments: dict[Role, InstrumentTable] = Field(default_factory=dict)
    fault: tuple[FaultTable, ...] = ()
    rig: RigTable = RigTable()
    load: tuple[LoadTable, ...] = ()
    wire_fault: tuple[dict[str, object], ...] = ()
    mistake: tuple[MistakeTable, ...] = ()
    hands: HandsTable = HandsTable()
    expectation: Expectation | None = None

    @field_validator("start")
    @classmethod
    def _zoned(cls, start: datetime) -> datetime:
        if start.utcoffset() is None:
            raise ValueError("a start needs its zone: 2026-03-02T08:00:00Z")
        if not 1970 <= start.year <= 2200:
            raise ValueError(f"a year from 1970 to 2200 is needed, got {start.year}")
        return start.astimezone(UTC)

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, name: str) -> str:
        try:
            ZoneInfo(name)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            raise ValueError(f"no time zone {name!r}; one is Europe/Berlin") from None
        return name

    @field_validator("mistake")
    @classmethod
    def _one_slip(cls, mistakes: tuple[MistakeTable, ...]) -> tuple[MistakeTable, ...]:
        for key in ("clip", "load"):
            counted = Counter(getattr(mistake, key) for mistake in mistakes)
            twice = [number for number, times in counted.items() if number and times > 1]
            if twice:
                raise ValueError(f"{key} {twice[0]} goes wrong in two ways")
        return mistakes

    @field_validator("instruments")
    @classmethod
    def _manners(cls, found: dict[Role, InstrumentTable]) -> dict[Role, InstrumentTable]:
        for role, table in found.items():
            if table.manner is not None and table.manner not in MANNERS[role]:
                allowed = ", ".join(MANNERS[role])
                raise ValueError(f"{role}.manner: allowed is {allowed}, got {table.manner!r}")
            for key in sorted(table.model_fields_set & set(ONLY)):
                if ONLY[key] != role:
                    raise ValueError(f"{role}.{key}: only {ONLY[key]} has this key")
        return found

    @field_validator("load")
    @classmethod
    def _one_hook(cls, loads: tuple[LoadTable, ...]) -> tuple[LoadTable, ...]:
        twice = [at for at, count in Counter(load.at for load in loads).items() if count > 1]
        if twice:
            raise ValueError(f"two loads on one hook at {twice[0]:g} s")
        return loads

    @model_validator(mode="after")
    def _loads(self) -> Scenario:
        """One load hangs at a time, and none that breaks what carries it."""
        if self.cell.kilograms and any(load.at == 0 for load in self.load):
            raise ValueError("load and cell.kilograms: two loads on one hook at 0 s")
        hung = {"cell.kilograms": self.cell.kilograms}
        hung |= {f"load.{n}.kilograms": load.kilograms for n, load in enumerate(self.load)}
        hung |= {f"mistake.{n}.kilograms": m.kilograms or 0.0 for n, m in enumerate(self.mistake)}
        if self.chain is not None:
            hung["chain.dead_kilograms"] = self.chain.dead_kilograms
            hung["chain.pipe_kilograms"] = abs(self.chain.pipe_kilograms)
        for key, kilograms in hung.items():
            if reason := self.breaks(kilograms):
                raise ValueError(f"{key}: {reason}")
        return self

    @model_validator(mode="after")
    def _days(self) -> Scenario:
        for role, table in self.instruments.items():
            if table.calibrated is not None and table.calibrated > self.start.date():
                raise ValueError(f"instruments.{role}.calibrated: is after the bench's start")
        return self

    @model_validator(mode="after")
    def _expected_cell(self) -> Scenario:
        """A chain has any name; a cell has papers here, or its label says otherwise."""
        if self.expectation is None or not self.expectation.cell or self.chain is not None:
            return self
        known = [*CELLS, CHECK_STANDARD, *([self.cell.serial] if self.cell.serial else [])]
        if self.lot is not None:
            known = [self.lot.name, *map(self.lot.serial, range(1, self.lot.cells + 1))]
        if self.expectation.cell not in known:
            said = f"no cell {self.expectation.cell!r} is here; there are {', '.join(known)}"
            raise ValueError(f"expectation.cell: {said}")
        return self

    @model_validator(mode="after")
    def _one_thing_at_a_time(self) -> Scenario:
        if found := contradiction(self.fault):
            raise ValueError(f"fault.{found[0]}.element: {found[1]}")
        return self

    @model_validator(mode="after")
    def _cell_or_chain(self) -> Scenario:
        if self.chain is not None and "cell" in self.model_fields_set:
            raise ValueError("cell and chain: one of them is on the bench")
        if self.chain is not None and "rig" in self.model_fields_set:
            raise ValueError("rig and chain: a vessel is loaded by hand, no rig does")
        if self.chain is not None and "scanner" in self.instruments:
            raise ValueError("instruments.scanner: in the plant hands clip, no scanner does")
        return self

    @model_validator(mode="after")
    def _lot_and_faults(self) -> Scenario:
        """In a lot each fault says whose it is; pieces are counted from 1."""
        if self.lot is not None and self.chain is not None:
            raise ValueError("lot and chain: one of them is on the bench")
        for number, fault in enumerate(self.fault):
            of_bench = fault.element is not None and outside(fault.element)
            if self.lot is None and fault.piece is not None:
                raise ValueError(f"fault.{number}.piece: there is no lot")
            if self.lot is not None and not of_bench:
                self.lot.check_piece(fault.piece, f"fault.{number}.piece")
        return self

    @model_validator(mode="after")
    def _wires(self) -> Scenario:
        for order in self.wire_fault:
            role = str(order.get("wire"))
            if role not in self.roles() or self.instrument(role).by_hand:
                raise ValueError(f"wire_fault.wire: no instrument with a wire is {role!r}")
            _wire_fault(order)
        return self

    def breaks(self, kilograms: float) -> str:
        """Say why a load is out of the question; empty: the cell, or the chain, carries it."""
        cells = [CELLS[each.papers] for each in self.chain.cell] if self.chain else []
        capacity = sum(p.capacity_kg for p in cells or [self.cell.promised()])
        if abs(kilograms) <= BREAKS_AT * capacity:
            return ""
        carries = f"{BREAKS_AT:g} times a capacity of {capacity:g} kg"
        return f"{kilograms:g} kg breaks what carries it: at most {carries}"

    def roles(self) -> tuple[Role, ...]:
        """Return the instruments that stand on the bench."""
        usual = [role for role in USUAL if self.chain is None or role != "scanner"]
        named = [role for role in ROLES if role in self.instruments or role in usual]
        return tuple(role for role in named if not self.instrument(role).missing)

    def instrument(self, role: str) -> InstrumentTable:
        """Return the table of a role, the usual one when it is not named."""
        named = (table for known, table in self.instruments.items() if known == role)
        return next(named, InstrumentTable())

    def wire_faults(self) -> list[tuple[str, WireFault]]:
        """Return the wire faults to arm at the start, by wire."""
        return [(str(order["wire"]), _wire_fault(order)) for order in self.wire_fault]

    def calibrated(self, role: str) -> date:
        """The day of an instrument's calibration, some months before the start by default."""
        return self.instrument(role).calibrated or (self.start - timedelta(days=120)).date()

    def due(self, role: str) -> date:
        """The day up to which an instrument's calibration holds."""
        return self.instrument(role).due or self.calibrated(role) + timedelta(days=365)


def read_scenario(name: str) -> tuple[str, Scenario]:
    """Return name and content of a shipped scenario or of a file; raises ScenarioError."""
    path = Path(name)
    if path.suffix != ".toml" and not path.exists():
        path = SCENARIOS / f"{name}.toml"
        if not path.is_file():
            known = ", ".join(sorted(p.stem for p in SCENARIOS.glob("*.toml")))
            raise ScenarioError(name, "", f"no such scenario; there are {known}")
    return path.stem, checked(path, _table(path))


def checked(file: Path | str, table: dict[str, object]) -> Scenario:
    """Return the tables of a file as a scenario; raises ScenarioError."""
    try:
        return Scenario.model_validate(table)
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(part) for part in first["loc"] if part != "[key]")
        raise ScenarioError(file, key, _reason(dict(first))) from None


def _table(path: Path) -> dict[str, object]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except tomllib.TOMLDecodeError as error:
        raise ScenarioError(path, "", f"is not TOML: {error}") from None
    except UnicodeDecodeError:
        raise ScenarioError(path, "", "is not UTF-8 text") from None
    except OSError as error:
        raise ScenarioError(path, "", f"cannot be read: {error.strerror}") from None


def _wire_fault(order: dict[str, object]) -> WireFault:
    try:
        return read_fault({key: value for key, value in order.items() if key != "wire"})
    except FaultError as error:
        raise ValueError(f"wire_fault.{error}") from None


def _reason(error: dict[str, object]) -> str:
    """Say what is allowed in the file's words."""
    context = error.get("ctx")
    allowed = context if isinstance(context, dict) else {}
    match error["type"]:
        case "extra_forbidden":
            return "no such key here"
        case "missing":
            return "is missing"
        case "literal_error":
            return f"allowed is {allowed['expected']}, got {error['input']!r}"
        case "value_error":
            return str(allowed["error"])
    return f"{error['msg']}, got {error['input']!r}"
