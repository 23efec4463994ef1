"""Dialect files: what to send, how to read the reply. Read and checked; no I/O on instruments.

`load_dialect` returns a checked model or raises one FileError. The meaning of each key stands in
`dialects/README.md`; what an instrument cannot do is absent here and shows in `capabilities`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from importlib import resources
from pathlib import Path
from typing import Literal

from pydantic import Field, model_validator

from drivers.dialect_parts import (
    Errors,
    Identification,
    InsulationWords,
    Link,
    Pace,
    Quantity,
    Refusal,
    SafeOff,
    ScannerWords,
    Serial,
    SourceWords,
    Step,
    SupplyWords,
)
from drivers.proof_of_off import why_it_proves_nothing
from drivers.reply import MEANINGS, Reply, ReplyShape
from drivers.template import ValueFormat, names_in
from drivers.told_apart import why_not_told_apart
from drivers.written_file import FileError, Written, check, read_file, read_table

Role = Literal[
    "dmm", "supply", "insulation", "source", "scanner", "thermometer", "hygrometer", "barometer",
    "reference-indicator",
]  # fmt: skip
SENSORS = ("thermometer", "hygrometer", "barometer", "reference-indicator")
ENERGY = ("supply", "insulation", "source", "scanner")

# The values that the drivers can put into templates, and those that templates may be told by.
GIVEN: Mapping[str, frozenset[str]] = {
    "dmm": frozenset(
        {"range", "automatic", "plc", "offset_compensation", "resolution"}
        | {"count", "automatic_zero"}  # of a block of readings
    ),
    "supply": frozenset({"volts", "amps_limit", "protection_volts", "remote_sense"}),
    "insulation": frozenset({"volts"}),
    "source": frozenset({"value", "limit"}),
    "scanner": frozenset({"list"}),
}
UNITS_OF: Mapping[str, str] = {
    "dc-voltage": "V", "ac-voltage": "V", "voltage": "V", "resistance": "ohm",
    "resistance-2-wire": "ohm", "insulation-resistance": "ohm", "dc-current": "A", "current": "A",
    "voltage-ratio": "V/V", "temperature": "degC", "relative-humidity": "percent",
    "pressure": "Pa", "force": "N",
}  # fmt: skip
# What a role may be asked for beyond its quantities; a dialect without it reports it as absent.
EXTRAS: Mapping[str, tuple[str, ...]] = {
    "dmm": (
        "start and fetch",
        "offset compensation",
        "integration time",
        "range",
        "block readings",
    ),
    "supply": ("over-voltage protection", "remote sense", "output state", "voltage", "current"),
    "insulation": ("applied voltage",),
    "source": ("output state",),
}
_FIELDS = MEANINGS | {"on", "off", "code", "text", "identity", "state", "channels", "range_in_use"}


class Dialect(Written):
    """One kind of instrument."""

    role: Role
    about: str
    link: Link = Link()
    serial: Serial = Serial()
    pace: Pace = Pace()
    identification: Identification | None = None
    errors: Errors | None = None
    acknowledgement: Reply | None = None
    refusal: Refusal | None = None
    options: dict[str, str] = Field(default={})
    values: dict[str, ValueFormat] = Field(default={})
    start_up: tuple[Step, ...] = ()
    shut_down: tuple[Step, ...] = ()
    select: tuple[Step, ...] = ()
    safe_off: SafeOff | None = None
    quantities: dict[str, Quantity] = Field(default={})
    supply: SupplyWords | None = None
    source: dict[str, SourceWords] = Field(default={})
    insulation: InsulationWords | None = None
    scanner: ScannerWords | None = None

    @model_validator(mode="after")
    def _fits_its_role(self) -> Dialect:
        for table in ("supply", "source", "insulation", "scanner"):
            if bool(getattr(self, table)) != (self.role == table):
                verb = "needs" if self.role == table else "cannot have"
                raise ValueError(f"a dialect of role {self.role} {verb} a table [{table}]")
        if self.role in ("dmm", "insulation", *SENSORS) and not self.quantities:
            raise ValueError("at least one table [quantities.NAME] is needed")
        if self.role == "insulation" and "insulation-resistance" not in self.quantities:
            raise ValueError("[quantities.insulation-resistance] is needed")
        if self.role in ENERGY and self.safe_off is None:
            raise ValueError(f"a {self.role} needs [safe_off]: how off is told and proven")
        if reason := why_it_proves_nothing(self) or why_not_told_apart(self.quantities):
            raise ValueError(reason)
        return self

    @model_validator(mode="after")
    def _knows_its_words(self) -> Dialect:
        allowed = GIVEN.get(self.role, frozenset()) | set(self.options)
        for where, step in self.all_steps():
            self._check_names(where, step.names(), allowed)
            if step.when is not None and step.when not in allowed:
                raise ValueError(f"{where}: when = {step.when!r} is none of {_list(allowed)}")
            if step.reply is not None:
                self._check_groups(where, step.reply, allowed)
        for where, template in self._templates():
            self._check_names(where, names_in(template), allowed)
        for where, ask, reply in self.questions():
            self._check_names(where, names_in(ask), allowed)
            self._check_groups(where, reply, allowed)
        for name, quantity in self.quantities.items():
            self._check_groups(f"quantities.{name}.reading", quantity.reading.reply, allowed)
            if UNITS_OF.get(name, quantity.unit) != quantity.unit:
                raise ValueError(f"quantities.{name}.unit: must be {UNITS_OF[name]}")
        return self

    @staticmethod
    def _check_names(where: str, names: frozenset[str], allowed: frozenset[str]) -> None:
        for name in sorted(names - allowed):
            raise ValueError(f"{where}: {{{name}}} is none of {_list(allowed)}")

    @staticmethod
    def _check_groups(where: str, reply: ReplyShape, allowed: frozenset[str]) -> None:
        for name in sorted(reply.groups - allowed - _FIELDS):
            raise ValueError(f"{where}: group {name!r} means nothing here")

    def all_steps(self) -> Iterator[tuple[str, Step]]:
        """Yield every step with its place in the file."""
        for place in ("start_up", "shut_down", "select"):
            yield from ((place, step) for step in getattr(self, place))
        if self.safe_off is not None:
            yield from (("safe_off.proof", step) for step in self.safe_off.proof)
        for name, quantity in self.quantities.items():
            yield from ((f"quantities.{name}.settings", step) for step in quantity.settings)
            for place in ("begin", "prove"):
                steps = getattr(quantity.reading, place)
                yield from ((f"quantities.{name}.reading.{place}", step) for step in steps)
            for place in ("settings", "restore") if quantity.block is not None else ():
                steps = getattr(quantity.block, place)
                yield from ((f"quantities.{name}.block.{place}", step) for step in steps)
        tables: dict[str, object] = {"supply": self.supply, "insulation": self.insulation}
        tables |= {f"source.{name}": words for name, words in self.source.items()}
        for name, words in tables.items():
            for place in ("program", "on", "off", "start", "stop"):
                yield from ((f"{name}.{place}", step) for step in getattr(words, place, ()))

    def questions(self) -> Iterator[tuple[str, str, ReplyShape]]:
        """Yield (place, what is asked, its reply) of all questions that are not steps or readings.

        What is only listened to is asked with an empty text.
        """
        if self.identification is not None:
            yield "identification", self.identification.ask, self.identification.reply
        if self.errors is not None:
            yield "errors", self.errors.ask, self.errors.reply
        for name, quantity in self.quantities.items():
            if (state := quantity.reading.state) is not None:
                yield f"quantities.{name}.reading.state", state.ask, state.reply
        if self.supply is not None:
            for place in ("state", "tripped"):
                if (words := getattr(self.supply, place)) is not None:
                    yield f"supply.{place}", words.ask, words.reply
        for name, source in self.source.items():
            if source.state is not None:
                yield f"source.{name}.state", source.state.ask, source.state.reply
        if self.insulation is not None and self.insulation.applied is not None:
            applied = self.insulation.applied
            yield "insulation.applied", applied.ask or "", applied.reply
        if self.scanner is not None:
            yield "scanner", self.scanner.closed, self.scanner.closed_reply

    def _templates(self) -> Iterator[tuple[str, str]]:
        """Yield the templates that stand outside steps."""
        if self.safe_off is not None:
            yield from (("safe_off.tell", template) for template in self.safe_off.tell)
        for name, quantity in self.quantities.items():
            reading = quantity.reading
            for place in ("ask", "start", "fetch", "confirm"):
                yield f"quantities.{name}.reading.{place}", getattr(reading, place) or ""
            for place in ("start", "fetch", "again") if quantity.block is not None else ():
                yield f"quantities.{name}.block.{place}", getattr(quantity.block, place) or ""
        if self.scanner is not None:
            for place in ("close", "open", "open_all"):
                yield f"scanner.{place}", getattr(self.scanner, place) or ""

    @property
    def capabilities(self) -> frozenset[str]:
        """What can be asked of it: its quantities, and words of EXTRAS."""
        return frozenset(self._capabilities())

    @property
    def absent(self) -> tuple[str, ...]:
        """What others of its role can, and it cannot."""
        return tuple(word for word in EXTRAS.get(self.role, ()) if word not in self.capabilities)

    def _capabilities(self) -> Iterator[str]:
        yield from self.quantities
        yield from self.source
        told = frozenset[str]().union(*(quantity.names for quantity in self.quantities.values()))
        if any(quantity.reading.start for quantity in self.quantities.values()):
            yield "start and fetch"
        if any(quantity.block is not None for quantity in self.quantities.values()):
            yield "block readings"
        if "offset_compensation" in told:
            yield "offset compensation"
        if told & {"plc", "resolution"}:
            yield "integration time"
        if "range" in told:
            yield "range"
        if self.insulation is not None and self.insulation.applied is not None:
            yield "applied voltage"
        if self.supply is not None:
            yield from _supply_capabilities(self.supply)
        if self.source and all(words.state for words in self.source.values()):
            yield "output state"


def _supply_capabilities(words: SupplyWords) -> Iterator[str]:
    if "protection_volts" in words.names:
        yield "over-voltage protection"
    if words.remote_sense != "none":
        yield "remote sense"
    if words.state is not None:
        yield "output state"


def _list(names: frozenset[str]) -> str:
    return ", ".join(sorted(names)) or "nothing (this role is given no values)"


def shipped_names() -> tuple[str, ...]:
    """Return the names of the dialects that come with the package."""
    folder = resources.files("drivers") / "dialects"
    return tuple(sorted(f.name[:-5] for f in folder.iterdir() if f.name.endswith(".toml")))


def load_dialect(name_or_path: str, beside: Path | None = None) -> Dialect:
    """Return a shipped dialect by name, or a workshop's own by a path that ends in `.toml`.

    A relative path is looked up in the folder `beside`, the bench file's. Raises FileError.
    """
    if name_or_path.endswith(".toml"):
        path = (beside or Path()) / Path(name_or_path).expanduser()
        return read_file(path, Dialect)
    if name_or_path not in shipped_names():
        raise FileError(
            f"dialect {name_or_path!r}", "",
            f"is not shipped; shipped are {', '.join(shipped_names())};"
            " a file of your own ends in .toml",
        )  # fmt: skip
    with resources.as_file(resources.files("drivers") / "dialects") as folder:
        path = folder / f"{name_or_path}.toml"
        return check(path, read_table(path), Dialect)
