"""Dialect files: what to send, how to read the reply. Read, checked, no I/O on instruments.

`load_dialect` returns a checked model or raises one FileError. The meaning of each key stands in
`dialects/README.md`; what an instrument cannot do is absent here and shows in `capabilities`.
"""

from __future__ import annotations

from collections.abc import Iterator
from importlib import resources
from pathlib import Path
from typing import Literal

from pydantic import Field, field_validator, model_validator

from drivers.reply import Reply
from drivers.scpi import ERROR_PATTERN
from drivers.serial_line import SerialLine
from drivers.template import Template, ValueFormat, names_in
from drivers.written_file import FileError, Written, check, read_file, read_table

Role = Literal["dmm", "supply", "insulation", "source", "scanner", "thermometer"]
Seconds = Field(default=0.0, ge=0.0, le=3600.0)


class Pace(Written):
    """Rests that slow instruments need, in seconds."""

    between_commands_s: float = Seconds
    write_to_read_s: float = Seconds
    after_open_s: float = Seconds
    after_reset_s: float = Seconds


class Link(Written):
    """Line ends and patience. `longest_reply_s`: after it nothing late can come any more."""

    command_end: str = "\n"
    reply_end: str = "\n"
    reply_s: float = Field(default=2.0, gt=0.0, le=600.0)
    longest_reply_s: float = Field(default=5.0, ge=0.0, le=600.0)
    longest_line: int = Field(default=65536, ge=16)
    longest_command: int = Field(default=200, ge=8)
    echo: bool = False
    free_running: bool = False

    @model_validator(mode="after")
    def _ends(self) -> Link:
        for name in ("command_end", "reply_end"):
            end = getattr(self, name)
            if not 1 <= len(end) <= 2 or any(ord(sign) > 127 for sign in end):
                raise ValueError(f'{name}: one or two ASCII characters, such as "\\r\\n"')
        return self


class Serial(Written):
    """The serial line, and the words that some instruments need there and only there."""

    baud: int = Field(default=9600, ge=50, le=4_000_000)
    data_bits: Literal[5, 6, 7, 8] = 8
    parity: Literal["none", "even", "odd", "mark", "space"] = "none"
    stop_bits: float = 1
    flow: Literal["none", "xon-xoff", "rts-cts", "dtr-dsr"] = "none"
    dtr: bool = True
    rts: bool = True
    remote: tuple[Template, ...] = ()
    local: tuple[Template, ...] = ()

    @field_validator("stop_bits")
    @classmethod
    def _stop_bits(cls, bits: float) -> float:
        if bits not in (1, 1.5, 2):
            raise ValueError("1, 1.5 or 2")
        return bits

    def line(self) -> SerialLine:
        return SerialLine(
            self.baud, self.data_bits, self.parity, self.stop_bits, self.flow, self.dtr, self.rts
        )


class Identification(Written):
    """How an instrument says who it is."""

    ask: Template = "*IDN?"
    reply: Reply = Field(default="(?P<identity>.+)", validate_default=True)


class Errors(Written):
    """How an instrument says what it did not like: a queue, or a register cleared by reading."""

    ask: Template = "SYST:ERR?"
    reply: Reply = Field(default=ERROR_PATTERN, validate_default=True)
    none: tuple[str, ...] = ("0", "+0")
    kind: Literal["queue", "register"] = "queue"
    most: int = Field(default=32, ge=1, le=1000)
    ignore: tuple[str, ...] = ()


class Refusal(Written):
    """A line that says "no" in place of any reply; `meanings` of its group `code`, for people."""

    reply: Reply
    meanings: dict[str, str] = Field(default={})


class Step(Written):
    """Something told, something asked back, or both (see the README)."""

    tell: Template | None = None
    ask: Template | None = None
    reply: Reply | None = None
    when: str | None = None
    settle_s: float = Seconds
    within_s: float = Seconds
    every_s: float = Field(default=0.1, gt=0.0, le=60.0)
    tolerance_ratio: float = Field(default=1e-4, ge=0.0)
    tolerance: float = Field(default=0.0, ge=0.0)
    below: float | None = Field(default=None, gt=0.0)
    reply_s: float | None = Field(default=None, gt=0.0, le=600.0)

    @model_validator(mode="after")
    def _is_whole(self) -> Step:
        if self.tell is None and self.ask is None:
            raise ValueError("a step tells something, asks something, or both")
        if (self.ask is None) != (self.reply is None):
            raise ValueError("ask and reply belong together")
        if self.below is not None and (
            self.reply is None or "value" not in self.reply.expression.groupindex
        ):
            raise ValueError("below needs a reply with a group 'value'")
        return self

    def names(self) -> frozenset[str]:
        return names_in(self.tell or "") | names_in(self.ask or "")


class State(Written):
    """Polling until a reading is there; each state the instrument can name stands in one list."""

    ask: Template
    reply: Reply
    ready: tuple[str, ...]
    busy: tuple[str, ...] = ()
    stopped: tuple[str, ...] = ()
    every_s: float = Field(default=0.2, gt=0.0, le=60.0)
    longest_s: float = Field(default=30.0, gt=0.0, le=3600.0)

    @model_validator(mode="after")
    def _names_states(self) -> State:
        if "state" not in self.reply.expression.groupindex:
            raise ValueError("the reply needs a group 'state'")
        return self


class Reading(Written):
    """How one number is got: by request, after polling, or out of a stream."""

    by: Literal["request", "poll", "stream"] = "request"
    ask: Template | None = None
    reply: Reply
    state: State | None = None
    begin: tuple[Step, ...] = ()
    start: Template | None = None
    fetch: Template | None = None
    confirm: Template | None = None
    prove: tuple[Step, ...] = ()
    skip: tuple[Reply, ...] = ()
    fixed_s: float = Field(default=0.0, ge=0.0, le=600.0)
    per_cycle_s: float = Field(default=0.0, ge=0.0, le=10.0)
    compensation_factor: float = Field(default=2.0, ge=1.0, le=10.0)
    retry_s: float = Seconds
    every_s: float = Field(default=0.4, gt=0.0, le=60.0)
    stale_s: float = Seconds

    @model_validator(mode="after")
    def _is_whole(self) -> Reading:
        if (self.ask is None) != (self.by == "stream"):
            raise ValueError("ask is needed for request and poll, and impossible for a stream")
        if (self.state is None) != (self.by != "poll"):
            raise ValueError("state is needed for poll and impossible otherwise")
        if (self.start is None) != (self.fetch is None):
            raise ValueError("start and fetch belong together")
        return self


class Quantity(Written):
    """One quantity that the instrument measures: how it is set up, how it is read."""

    unit: str
    ranges: tuple[float, ...] = ()
    settings: tuple[Step, ...] = ()
    reading: Reading


class OnOff(Written):
    """A question whose answer has a group `on` or a group `off`."""

    ask: Template
    reply: Reply

    @model_validator(mode="after")
    def _has_both(self) -> OnOff:
        if not {"on", "off"} <= set(self.reply.expression.groupindex):
            raise ValueError("the reply needs a group 'on' and a group 'off'")
        return self


class SafeOff(Written):
    """Off, and how it is proven. `tell` is sent without waiting for anything."""

    tell: tuple[Template, ...]
    proof: tuple[Step, ...] = Field(min_length=1)
    wake_s: float = Field(default=0.05, ge=0.0, le=5.0)

    @model_validator(mode="after")
    def _proves(self) -> SafeOff:
        if not all(step.ask for step in self.proof):
            raise ValueError("each proof asks something")
        return self


class SupplyWords(Written):
    """A supply or a source: how it is set, switched and asked."""

    program: tuple[Step, ...]
    on: tuple[Step, ...]
    off: tuple[Step, ...]
    state: OnOff | None = None
    tripped: OnOff | None = None
    off_below: float = Field(default=0.5, gt=0.0)
    remote_sense: Literal["commanded", "rear link", "none"] = "none"


class Applied(Written):
    """Where the voltage at the terminals is told: in an answer, or in the lines of a stream."""

    ask: Template | None = None
    reply: Reply


class InsulationWords(Written):
    """An insulation tester: how a test is started with `{volts}` and stopped."""

    start: tuple[Step, ...]
    stop: tuple[Step, ...]
    applied: Applied | None = None


class ScannerWords(Written):
    """A relay scanner; a channel list is `list_form` with the numbers in `{channels}`."""

    close: Template
    open: Template | None = None
    open_all: Template
    list_form: str = "(@{channels})"
    channel_form: str = "d"
    separator: str = ","
    closed: Template
    closed_reply: Reply = Field(default=r"\(@(?P<channels>[\d,: ]*)\)", validate_default=True)
    closed_by: Literal["list", "each"] = "list"
    channels: tuple[int, ...] = ()
    most_per_command: int = Field(default=20, ge=1)
    settle_s: float = Seconds


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
    safe_off: SafeOff | None = None
    quantities: dict[str, Quantity] = Field(default={})
    supply: SupplyWords | None = None
    source: dict[str, SupplyWords] = Field(default={})
    insulation: InsulationWords | None = None
    scanner: ScannerWords | None = None
    name: str = ""

    @property
    def capabilities(self) -> frozenset[str]:
        """What can be asked of it: quantities, and the words of `absent` reports."""
        return frozenset(self._capabilities())

    def _capabilities(self) -> Iterator[str]:
        yield from self.quantities
        if any(quantity.reading.start for quantity in self.quantities.values()):
            yield "start and fetch"
        if any(
            "offset_compensation" in step.names()
            for quantity in self.quantities.values()
            for step in quantity.settings
        ):
            yield "offset compensation"
        if self.supply is not None:
            yield from _supply_capabilities(self.supply)
        for kind in self.source:
            yield f"source {kind}"


def _supply_capabilities(words: SupplyWords) -> Iterator[str]:
    programmed = frozenset[str]().union(*(step.names() for step in words.program))
    if "protection_volts" in programmed:
        yield "over-voltage protection"
    if "amps_limit" in programmed:
        yield "current limit"
    if words.remote_sense != "none":
        yield "remote sense"
    if words.state is not None:
        yield "output state"


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
