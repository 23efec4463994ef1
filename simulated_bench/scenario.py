"""A scenario: what stands on the bench, which cell lies there, what is wrong with it.

TOML, checked; a mistake names the file, the key and what is allowed. `scenarios/README.md` tells
every key. This package reads its files by itself: it shares no reader with the other packages.
"""

from __future__ import annotations

import tomllib
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from simulated_bench import room as ambient
from simulated_bench.load_cell import LoadCell
from simulated_bench.papers import CELLS, Papers, described, response, thermal

SCENARIOS = Path(__file__).parent / "scenarios"


class ScenarioError(Exception):
    """A scenario that cannot be read or contradicts itself: file, key, reason in one line."""

    def __init__(self, file: Path | str, key: str, reason: str) -> None:
        self.file, self.key, self.reason = str(file), key, " ".join(reason.split())
        super().__init__(": ".join(part for part in (self.file, key, self.reason) if part))


class Written(BaseModel):
    """Base of every table of a scenario file: frozen, and unknown keys are mistakes."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Room(Written):
    """The surroundings."""

    celsius: Annotated[float, Field(ge=-40, le=80)] = 22.3
    mains_hertz: Annotated[float, Field(ge=45, le=65)] = 50.0


class Cell(Written):
    """The cell on the bench: one of the invented ones, with what differs from its papers."""

    papers: str = "B-011902"

    def true(self) -> Papers:
        """Return what the cell really is."""
        return CELLS[self.papers]


class Scenario(Written):
    """A whole scenario file."""

    title: str = ""
    seed: Annotated[int, Field(ge=0)] = 1
    start: datetime = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
    timezone: str = "Europe/Berlin"
    room: Room = Room()
    cell: Cell = Cell()

    def load_cell(self, seed: int) -> LoadCell:
        """Return the cell in this scenario's room."""
        papers = self.cell.true()
        room = ambient.Room(celsius=((0.0, self.room.celsius),))
        return LoadCell(
            described(papers), response(papers), room, thermal=thermal(papers), seed=seed
        )

    def calibrated(self) -> date:
        """The day on which the instruments were calibrated, some months before the start."""
        return (self.start - timedelta(days=120)).date()

    def due(self) -> date:
        """The day up to which their calibrations hold."""
        return (self.start + timedelta(days=245)).date()


def read_scenario(name: str) -> tuple[str, Scenario]:
    """Return name and content of a shipped scenario or of a file; raises ScenarioError."""
    path = Path(name)
    if path.suffix != ".toml" and not path.exists():
        path = SCENARIOS / f"{name}.toml"
        if not path.is_file():
            known = ", ".join(sorted(p.stem for p in SCENARIOS.glob("*.toml")))
            raise ScenarioError(name, "", f"no such scenario; there are {known}")
    return path.stem, _checked(path, _table(path))


def _table(path: Path) -> dict[str, object]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except tomllib.TOMLDecodeError as error:
        raise ScenarioError(path, "", f"is not TOML: {error}") from None
    except UnicodeDecodeError:
        raise ScenarioError(path, "", "is not UTF-8 text") from None
    except OSError as error:
        raise ScenarioError(path, "", f"cannot be read: {error.strerror}") from None


def _checked(path: Path, table: dict[str, object]) -> Scenario:
    try:
        return Scenario.model_validate(table)
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(part) for part in first["loc"])
        reason = {"extra_forbidden": "no such key here", "missing": "is missing"}.get(
            first["type"], f"{first['msg']}, got {first['input']!r}"
        )
        raise ScenarioError(path, key, reason) from None
