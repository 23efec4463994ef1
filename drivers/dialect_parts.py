"""The tables of a dialect file, as checked models. What each key means: `dialects/README.md`."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, field_validator, model_validator

from drivers.reply import Reply
from drivers.scpi import ERROR_PATTERN
from drivers.serial_line import Flow, Parity, SerialLine
from drivers.template import Template, ValueFormat, names_in
from drivers.written_file import Written

Seconds = Field(default=0.0, ge=0.0, le=3600.0)


class Pace(Written):
    """Rests that slow instruments need."""

    between_commands_s: float = Seconds
    write_to_read_s: float = Seconds
    after_open_s: float = Seconds


class Link(Written):
    """Line ends and patience. After `longest_reply_s` nothing late can come any more."""

    command_end: str = "\n"
    reply_end: str = "\n"
    reply_s: float = Field(default=2.0, gt=0.0, le=600.0)
    longest_reply_s: float = Field(default=5.0, ge=0.0, le=600.0)
    longest_line: int = Field(default=65536, ge=16)
    longest_command: int = Field(default=200, ge=8)
    echo: bool | Literal["characters"] = False
    prompt: str = Field(default="", pattern=r"^[!-~]{0,8}$")
    banner: Reply | None = None
    free_running: bool = False

    @field_validator("command_end", "reply_end")
    @classmethod
    def _is_short(cls, end: str) -> str:
        if not 1 <= len(end) <= 2 or not end.isascii():
            raise ValueError('one or two ASCII characters, such as "\\r\\n"')
        return end


class Serial(Written):
    """The serial line, and the words that some instruments need there and only there."""

    baud: int = Field(default=9600, ge=50, le=4_000_000)
    data_bits: Literal[5, 6, 7, 8] = 8
    parity: Parity = "none"
    stop_bits: float = 1
    flow: Flow = "none"
    dtr: bool = True
    rts: bool = True
    remote: tuple[Template, ...] = ()
    local: tuple[Template, ...] = ()

    @field_validator("stop_bits")
    @classmethod
    def _exists(cls, bits: float) -> float:
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
    mask: int = Field(default=0xFFFF, ge=1)
    ignore: tuple[int, ...] = ()


class Refusal(Written):
    """A line that says "no" in place of any reply; `meanings` of its group `code`, for people."""

    reply: Reply
    meanings: dict[str, str] = Field(default={})


class Step(Written):
    """Something told, something asked back or heard from a stream, or both."""

    tell: Template | None = None
    ask: Template | None = None
    listen: bool = False
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
        if self.listen and self.ask is not None:
            raise ValueError("a step asks or listens, not both")
        if self.tell is None and not self.proves:
            raise ValueError("a step tells something, asks something, or both")
        if self.proves != (self.reply is not None):
            raise ValueError("ask (or listen) and reply belong together")
        if self.below is not None and not (self.reply and "value" in self.reply.groups):
            raise ValueError("below needs a reply with a group 'value'")
        return self

    @property
    def proves(self) -> bool:
        return self.ask is not None or self.listen

    def names(self) -> frozenset[str]:
        """Return the values that its templates need."""
        return names_in(self.tell or "") | names_in(self.ask or "")


class State(Written):
    """Polling until a reading is there; each state the instrument can name stands in one list."""

    ask: Template
    reply: Reply
    ready: tuple[str, ...] = Field(min_length=1)
    busy: tuple[str, ...] = ()
    stopped: tuple[str, ...] = ()
    every_s: float = Field(default=0.2, gt=0.0, le=60.0)
    longest_s: float = Field(default=30.0, gt=0.0, le=3600.0)

    @model_validator(mode="after")
    def _names_states(self) -> State:
        if "state" not in self.reply.groups:
            raise ValueError("the reply needs a group 'state'")
        return self


class Reading(Written):
    """How one number is got: by request, after polling, or out of a stream."""

    by: Literal["request", "poll", "stream"] = "request"
    begin: tuple[Step, ...] = ()
    state: State | None = None
    ask: Template | None = None
    reply: Reply
    start: Template | None = None
    fetch: Template | None = None
    confirm: Template | None = None
    confirm_over: Literal["any link", "serial"] = "any link"
    confirm_ratio: float = Field(default=0.0, ge=0.0, le=0.5)
    confirm_absolute: float = Field(default=0.0, ge=0.0)
    prove: tuple[Step, ...] = ()
    skip: tuple[Reply, ...] = ()
    stopped: tuple[Reply, ...] = ()
    fixed_s: float = Field(default=0.0, ge=0.0, le=600.0)
    per_cycle_s: float = Field(default=0.0, ge=0.0, le=10.0)
    compensation_factor: float = Field(default=2.0, ge=1.0, le=10.0)
    retry_s: float = Seconds
    every_s: float = Field(default=0.4, gt=0.0, le=60.0)
    stale_s: float = Seconds

    @property
    def confirms(self) -> bool:
        """Return whether a number is asked for, or listened to, once more."""
        return self.confirm is not None or (self.by == "stream" and self.confirm_ratio > 0.0)

    @model_validator(mode="after")
    def _is_whole(self) -> Reading:
        if (self.ask is None) != (self.by == "stream"):
            raise ValueError("ask is needed for request and poll, and impossible for a stream")
        if (self.state is None) != (self.by != "poll"):
            raise ValueError("state is needed for poll and impossible otherwise")
        if (self.start is None) != (self.fetch is None):
            raise ValueError("start and fetch belong together")
        if self.confirm is not None and self.by == "stream":
            raise ValueError("a stream is not asked: confirm_ratio alone makes it wait for two")
        if (self.skip or self.stopped) and self.by != "stream":
            raise ValueError("skip and stopped are for a stream")
        if "value" not in self.reply.groups:
            raise ValueError("the reply needs a group 'value'")
        return self


class Block(Written):
    """Many readings by one question: set up, started, fetched together, and put back."""

    settings: tuple[Step, ...] = Field(min_length=1)
    start: Template
    fetch: Template
    again: Template | None = None
    restore: tuple[Step, ...] = ()
    form: Literal["text", "real-32", "real-64"] = "text"
    order: Literal["big", "little"] = "big"
    separator: str = Field(default=",", min_length=1, max_length=2)
    most: int = Field(default=1000, ge=2)
    each_s: float = Field(default=0.01, gt=0.0, le=600.0)

    @model_validator(mode="after")
    def _tells_how_many(self) -> Block:
        if not any("count" in step.names() for step in self.settings):
            raise ValueError("settings must tell {count}")
        return self


class Resolution(Written):
    """Which resolution goes with an integration time, in parts per million of the range."""

    plc: float = Field(gt=0.0)
    ppm_of_range: float = Field(gt=0.0)


class Quantity(Written):
    """One quantity that the instrument measures: how it is set up, how it is read."""

    unit: str
    ranges: tuple[float, ...] = ()
    values: dict[str, ValueFormat] = Field(default={})
    resolution: tuple[Resolution, ...] = ()
    settings: tuple[Step, ...] = ()
    reading: Reading
    block: Block | None = None

    @property
    def names(self) -> frozenset[str]:
        """Return all values that its settings and its question are told."""
        steps = frozenset[str]().union(*(step.names() for step in self.settings))
        return steps | names_in(self.reading.ask or "")


class OnOff(Written):
    """A question answered by a group `on` or `off`, or by one bit of a number in group `value`."""

    ask: Template
    reply: Reply
    bit: int | None = Field(default=None, ge=0, le=31)

    @model_validator(mode="after")
    def _decides(self) -> OnOff:
        if self.bit is None and not {"on", "off"} <= self.reply.groups:
            raise ValueError("the reply needs a group 'on' and a group 'off'")
        if self.bit is not None and "value" not in self.reply.groups:
            raise ValueError("with bit, the reply needs a group 'value'")
        return self


class SafeOff(Written):
    """Off, and how it is proven. `tell` is sent without waiting for anything."""

    tell: tuple[Template, ...] = Field(min_length=1)
    proof: tuple[Step, ...] = Field(min_length=1)
    wake_s: float = Field(default=0.05, ge=0.0, le=5.0)

    @model_validator(mode="after")
    def _proves(self) -> SafeOff:
        if not all(step.proves and step.tell is None for step in self.proof):
            raise ValueError("each proof asks or listens, and tells nothing")
        return self


class SupplyWords(Written):
    """A supply: how one output is set, switched and asked."""

    program: tuple[Step, ...] = Field(min_length=1)
    on: tuple[Step, ...] = Field(min_length=1)
    off: tuple[Step, ...] = Field(min_length=1)
    state: OnOff | None = None
    tripped: OnOff | None = None
    off_below: float = Field(default=0.5, gt=0.0)
    remote_sense: Literal["commanded", "rear link", "none"] = "none"

    @property
    def names(self) -> frozenset[str]:
        return frozenset[str]().union(*(step.names() for step in self.program))

    @model_validator(mode="after")
    def _is_whole(self) -> SupplyWords:
        if not {"volts", "amps_limit"} <= self.names:
            raise ValueError("program must tell {volts} and {amps_limit}")
        if (self.remote_sense == "commanded") != ("remote_sense" in self.names):
            raise ValueError("remote_sense is commanded if, and only if, program tells it")
        return self


class SourceWords(Written):
    """One thing that a source can be: how its `{value}`, and a `{limit}`, are set and switched."""

    unit: Literal["V", "A", "ohm", "V/V"]
    values: dict[str, ValueFormat] = Field(default={})
    program: tuple[Step, ...] = Field(min_length=1)
    on: tuple[Step, ...] = ()
    off: tuple[Step, ...] = ()
    state: OnOff | None = None

    @property
    def names(self) -> frozenset[str]:
        return frozenset[str]().union(*(step.names() for step in self.program))


class Applied(Written):
    """Where the voltage at the terminals is told: in an answer, or in the lines of a stream."""

    ask: Template | None = None
    reply: Reply


class InsulationWords(Written):
    """An insulation tester: how a test is started with `{volts}` and stopped.

    One that is not told its volts has one voltage only, or a person sets them.
    """

    start: tuple[Step, ...] = Field(min_length=1)
    stop: tuple[Step, ...] = Field(min_length=1)
    applied: Applied | None = None
    fixed_volts: float | None = Field(default=None, gt=0.0, le=10_000.0)
    set_by_hand: bool = False

    @property
    def is_told(self) -> bool:
        """Whether every start tells the volts."""
        return any("volts" in step.names() and step.when in (None, "volts") for step in self.start)

    @model_validator(mode="after")
    def _knows_its_volts(self) -> InsulationWords:
        if [self.is_told, self.fixed_volts is not None, self.set_by_hand].count(True) != 1:
            raise ValueError(
                "start must tell {volts}; a tester that cannot be told says fixed_volts = 500.0, or"
                " set_by_hand = true (one of the three)"
            )
        return self


class ScannerWords(Written):
    """A relay scanner; `{list}` in its templates is `list_form` with the channels filled in."""

    close: Template
    open: Template | None = None
    open_all: Template
    list_form: str = "(@{channels})"
    channel_form: str = "{channel}"
    channel_pattern: str = r"(?P<channel>\d+)"
    separator: str = ","
    closed: Template
    closed_reply: Reply = Field(default=r"\(@(?P<channels>[\d,:! ]*)\)", validate_default=True)
    closed_by: Literal["list", "each"] = "list"
    channels: tuple[int, ...] = ()
    most_per_command: int = Field(default=20, ge=1)
    settle_s: float = Seconds

    @model_validator(mode="after")
    def _is_whole(self) -> ScannerWords:
        if self.closed_by == "each" and not self.channels:
            raise ValueError("closed_by each needs the list of channels")
        if self.closed_by == "list" and "channels" not in self.closed_reply.groups:
            raise ValueError("closed_reply needs a group 'channels'")
        try:
            self.list_form.format(channels="1")
            self.channel_form.format(channel=101, card=1, place=1)
        except (KeyError, ValueError, IndexError) as error:
            raise ValueError(f"list_form or channel_form: {error}") from None
        return self
