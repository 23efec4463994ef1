"""The file of a weighing chain: its papers, what is allowed, and what was read on one visit.

People write it in the trade's units ("0.42 mV/V", "12.003 mA"); a blank is a reading that was not
taken, "open" one that gave no number. `read_chain` turns it into the papers and rows that
`acq.analysis.chain_isolation` works on.
"""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, field_validator, model_validator

from acq.cells import paper_units as units
from acq.cells.paper_fields import (
    Amperes,
    Area,
    Celsius,
    Fraction,
    Gravity,
    Loads,
    Metres,
    Ohms,
    OhmsPerMetre,
    Ratio,
    Volts,
)
from acq.cells.paper_units import Dimension
from drivers.written_file import Written

OPEN = "open"
AS_LEFT = "as left"
_OPEN_WORDS = ("open", "over-range", "floating", "no number")
RESTORE_LIST = (
    "signal_pairs",
    "sense_links",
    "covers",
    "loop",
    "forced_values",
    "inhibits",
    "as_left_readings",
)
PRACTICE = "common practice, no source"
_SHARES_WITHIN = 0.01  # people write 33.3 %


def _reading(dimension: Dimension) -> BeforeValidator:
    def before(value: object) -> object:
        if value is None or value == "":
            return None
        if not isinstance(value, str):
            # pydantic takes a ValueError for the writer's mistake, a TypeError for ours
            example = dimension.example
            raise ValueError(f"needs text with its unit, such as {example!r}")  # noqa: TRY004
        if value.strip().lower() in _OPEN_WORDS:
            return OPEN
        return units.quantity(value, dimension)

    return BeforeValidator(before)


Seen = float | Literal["open"] | None
RatioSeen = Annotated[Seen, _reading(units.RATIO)]
CurrentSeen = Annotated[Seen, _reading(units.AMPERES)]
MassSeen = Annotated[Seen, _reading(units.MASS)]
VoltsSeen = Annotated[Seen, _reading(units.VOLTS)]
OhmsSeen = Annotated[Seen, _reading(units.OHMS)]


def _mass(value: object) -> object:
    if isinstance(value, str):
        return units.quantity(value, units.MASS)
    raise ValueError(f"needs text with its unit, such as {units.MASS.example!r}, got {value!r}")


Mass = Annotated[float, BeforeValidator(_mass)]


class Vessel(Written):
    """What stands on the cells. `gravity` is the plant's; needed only to use sheets exactly."""

    dead_load: Mass
    dead_load_uncertainty: Mass  # standard uncertainty
    gravity: Gravity = None
    corner_fraction: Fraction = 0.7  # of a load over one cell that this cell carries
    corner_fraction_uncertainty: Fraction = 0.1


class ChainCellEntry(Written):
    """One cell in the order of the box inputs. What is blank comes from the papers of its serial
    or its type; what is written here goes before both.
    """

    name: str
    serial: str = ""  # with papers of its own
    type: str = ""
    capacity: Loads = None
    rated_output: Ratio = None
    zero_balance: Ratio = None
    input_resistance: Ohms = None
    output_resistance: Ohms = None
    wires: Literal[4, 6] | None = None  # 4 when no paper says
    sense_leads: Literal["joined", "open"] = "joined"  # in the box, to the Ex leads; of 6 wires
    conductor_resistance: Ohms = None  # one conductor of the cell's own cable
    gravity: Gravity = None  # where the sheet was made
    share: Fraction = None  # of an evenly spread load; equal when blank
    excitation_trim: Ohms = 0.0

    @model_validator(mode="after")
    def _can_be(self) -> Self:
        wrong = {
            "capacity": self.capacity is not None and self.capacity.value <= 0.0,
            "rated_output": self.rated_output is not None and self.rated_output == 0.0,
            "share": self.share is not None and not 0.0 < self.share <= 1.0,
            "conductor_resistance": (self.conductor_resistance or 0.0) < 0.0,
            "excitation_trim": (self.excitation_trim or 0.0) < 0.0,
        }
        for name in ("input_resistance", "output_resistance"):
            ohms = getattr(self, name)
            wrong[name] = ohms is not None and ohms <= 0.0
        if found := [name for name, is_wrong in wrong.items() if is_wrong]:
            value = getattr(self, found[0])
            raise ValueError(f"{found[0]} of cell {self.name!r} cannot be {value}")
        return self


class HomeRun(Written):
    """The cable from box to transmitter: its conductor's ohms, or what they follow from."""

    sensed: bool
    conductor_resistance: Ohms = None
    length: Metres = None
    resistance: OhmsPerMetre = None
    conductor_area: Area = None  # IEC 60228 class 5 when no resistance is given
    temperature: Celsius = 20.0

    @model_validator(mode="after")
    def _known(self) -> Self:
        if self.conductor_resistance is None and (
            self.length is None or (self.resistance is None and self.conductor_area is None)
        ):
            raise ValueError(
                "needs conductor_resistance, or length with resistance or conductor_area"
            )
        return self


class TransmitterEntry(Written):
    """Range and limits of the transmitter."""

    ratio_at_4_mA: Annotated[float, BeforeValidator(lambda v: units.ratio(str(v)))]  # noqa: N815
    ratio_at_20_mA: Annotated[float, BeforeValidator(lambda v: units.ratio(str(v)))]  # noqa: N815
    excitation: Volts = 10.0
    regulated_at: Literal["terminals", "sense"] = "terminals"  # where the excitation is held
    lowest: Amperes = 3.8e-3
    highest: Amperes = 20.5e-3
    failure: Amperes = 21e-3
    input_resistance: Ohms = None  # of its bridge input; not counted when blank
    common_mode_rejection: Ratio = None  # V/V: signal that 1 V of common mode is taken for
    input_source: str = ""  # the paper that says so

    @model_validator(mode="after")
    def _has_range(self) -> Self:
        if self.ratio_at_4_mA == self.ratio_at_20_mA:
            raise ValueError("ratio_at_4_mA and ratio_at_20_mA are the same: no range")
        return self


class LoopEntry(Written):
    """Supply and burden of the loop."""

    supply: Volts = None
    burden: Ohms = None
    transmitter_needs: Volts = None


class ControlSystem(Written):
    """Scaling of the input: what 4 mA and 20 mA stand for, and the last digit shown."""

    lower: Mass
    upper: Mass
    digit: Mass

    @model_validator(mode="after")
    def _has_range(self) -> Self:
        if self.lower == self.upper:
            raise ValueError("lower and upper are the same: no range")
        return self


class ToleranceEntry(Written):
    """One tolerance and the paper that it comes from."""

    value: Fraction
    source: str


class OhmsTolerance(Written):
    """As `ToleranceEntry`, in ohm."""

    value: Ohms
    source: str


def _usual(value: float, why: str = "") -> ToleranceEntry:
    return ToleranceEntry.model_construct(
        value=value, source=PRACTICE + (f": {why}" if why else "")
    )


class ToleranceEntries(Written):
    """What is allowed at each interface; of the span, for cells of the rated output."""

    cell_zero: ToleranceEntry = _usual(0.01, "zero within 1 %RO of its sheet when healthy")
    cell_output: ToleranceEntry = _usual(0.001)
    cell_ohms: OhmsTolerance = OhmsTolerance.model_construct(value=1.0, source=PRACTICE)
    sharing: ToleranceEntry = _usual(0.05, "how an even load spreads over the mounts")
    mechanics: ToleranceEntry = _usual(0.002)
    box: ToleranceEntry = _usual(0.0005)
    cable: ToleranceEntry = _usual(0.0005)
    transmitter: ToleranceEntry = _usual(0.0005, "mV/V check")
    loop: ToleranceEntry = _usual(0.001, "16 uA")
    control_system: ToleranceEntry = _usual(0.001, "and one digit")
    excitation: ToleranceEntry = _usual(0.05)
    inputs: ToleranceEntry = _usual(0.004, "between the box's inputs, of the excitation")
    pulsed: ToleranceEntry = _usual(0.02, "AC of the DC excitation; above it is no plain DC")
    corners: ToleranceEntry = _usual(0.008, "between the mounts, of the load over one")


class Accuracy(Written):
    """Expanded uncertainty (k = 2) of an instrument: of its reading, plus a constant."""

    of_reading: Fraction = 0.0
    constant: str = ""
    source: str

    def standard(self, value: float, dimension: Dimension) -> float:
        """Standard uncertainty at a value, SI."""
        constant = units.quantity(self.constant, dimension) if self.constant else 0.0
        return 0.5 * ((self.of_reading or 0.0) * abs(value) + constant)

    def part(self, value: float, dimension: Dimension, what: str) -> tuple[str, float]:
        """The line of a budget that this instrument makes at a value, SI."""
        return f"{what}, as the chain's file says", self.standard(value, dimension)


def _accuracy(of_reading: float, constant: str) -> Accuracy:
    return Accuracy.model_construct(of_reading=of_reading, constant=constant, source=PRACTICE)


class Instruments(Written):
    """Uncertainties of what measures and feeds."""

    ratio: Accuracy = _accuracy(1e-4, "0.0004 mV/V")
    fed_ratio: Accuracy = _accuracy(2e-4, "0.0003 mV/V")
    current: Accuracy = _accuracy(3e-4, "3 uA")
    fed_current: Accuracy = _accuracy(2e-4, "2 uA")
    volts: Accuracy = _accuracy(1e-4, "0.5 mV")
    ohms: Accuracy = _accuracy(2e-4, "0.1 ohm")


class StateEntry(Written):
    """Readings under one load. All belong to the same minutes; the triplet to one moment.

    A name that begins with "as left" belongs to the round after the adjustment.
    """

    name: str
    time: dt.time | None = None  # of the triplet
    live: Mass = 0.0
    live_uncertainty: Mass = 0.0  # standard uncertainty; large when nobody knows the content
    corner: int | None = Field(default=None, ge=1)  # number of the cell under the load
    excitation: VoltsSeen = None  # at the transmitter's Ex terminals
    excitation_ac: VoltsSeen = None
    box_excitation: VoltsSeen = None
    sense: VoltsSeen = None  # at the transmitter's sense terminals
    cell_excitation: tuple[VoltsSeen, ...] = ()
    cell_ratio: tuple[RatioSeen, ...] = ()  # each with its signal pair lifted
    box_ratio: RatioSeen = None
    box_ratio_alone: RatioSeen = None  # home-run signal pair lifted
    transmitter_ratio: RatioSeen = None
    transmitter_current: CurrentSeen = None
    input_current: CurrentSeen = None
    display: MassSeen = None


class FedEntry(Written):
    """A value fed in place of what comes before, and what was read behind it."""

    at: Literal["control system", "transmitter", "box"]
    value: str
    round: Literal["as found", "as left"] = "as found"
    time: dt.time | None = None
    transmitter_ratio: RatioSeen = None
    current: CurrentSeen = None
    display: MassSeen = None

    @model_validator(mode="after")
    def _readable(self) -> Self:
        units.quantity(self.value, units.AMPERES if self.at == "control system" else units.RATIO)
        if self.at == "control system" and self.display is None:
            raise ValueError("mA fed at the control system needs the display that was read")
        return self

    @property
    def number(self) -> float:
        """The fed value, SI."""
        kind = units.AMPERES if self.at == "control system" else units.RATIO
        return units.quantity(self.value, kind)


class OhmsEntry(Written):
    """Resistances of one cell at the box, cell disconnected, power off."""

    cell: int = Field(ge=1)
    input: OhmsSeen = None
    output: OhmsSeen = None


class PopulationEntry(Written):
    """How often each block is at fault here, as weights; counted by whom."""

    mechanics: float = Field(ge=0)
    cell: float = Field(ge=0)
    junction_box: float = Field(ge=0)
    home_run_cable: float = Field(ge=0)
    transmitter: float = Field(ge=0)
    loop: float = Field(ge=0)
    control_system: float = Field(ge=0)
    none: float = Field(ge=0)
    unknown: float = Field(default=0.01, gt=0)
    source: str


class ChainFile(Written):
    """Everything that may stand in the file of a chain."""

    name: str
    note: str = ""
    measured_by: str = ""
    measured_on: dt.date | None = None
    typed_in_later: bool = False  # readings from a printed form: said in every report
    vessel: Vessel
    cells: tuple[ChainCellEntry, ...] = Field(min_length=1, max_length=12)
    home_run: HomeRun
    transmitter: TransmitterEntry
    loop: LoopEntry = LoopEntry()
    control_system: ControlSystem
    tolerance: ToleranceEntries = ToleranceEntries()
    instruments: Instruments = Instruments()
    population: PopulationEntry | None = None
    restored: dict[str, str] = Field(
        default_factory=dict
    )  # of a typed-in visit: who ticked it, and when
    states: tuple[StateEntry, ...] = ()
    fed: tuple[FedEntry, ...] = ()
    ohms: tuple[OhmsEntry, ...] = ()

    @model_validator(mode="after")
    def _fits(self) -> Self:
        count = len(self.cells)
        cells = [cell.name for cell in self.cells]
        if twice := [name for name in cells if cells.count(name) > 1]:
            raise ValueError(f"cells: two have the name {twice[0]!r}")
        shares = [cell.share for cell in self.cells if cell.share is not None]
        if shares and abs(sum(shares) - 1.0) > _SHARES_WITHIN:
            raise ValueError(f"cells: the shares make {sum(shares):g} together, not 1")
        self._as_left_was_read()
        names = [state.name for state in self.states]
        if len(set(names)) < len(names):
            raise ValueError("two states have the same name")
        for state in self.states:
            if state.corner is not None and state.corner > count:
                raise ValueError(f"state {state.name!r}: corner {state.corner} of {count} cells")
            for key in ("cell_ratio", "cell_excitation"):
                given = len(getattr(state, key))
                if given not in (0, count):
                    raise ValueError(
                        f"state {state.name!r}: {key} has {given} values for {count} cells;"
                        ' write "" where none was read'
                    )
        if any(entry.cell > count for entry in self.ohms):
            raise ValueError(f"ohms: there are {count} cells")
        return self

    def _as_left_was_read(self) -> None:
        ticked = self.restored.get("as_left_readings", "").strip()
        if ticked and not any(self.left(state) for state in self.states):
            raise ValueError(
                "restored.as_left_readings is ticked, but no state named 'as left' stands here:"
                " type in what was read"
            )

    def left(self, state: StateEntry) -> bool:
        """Whether a state was read after the adjustment."""
        return state.name.startswith(AS_LEFT)

    def not_restored(self) -> list[str]:
        """What of the restore list nobody has ticked."""
        return [item for item in RESTORE_LIST if not self.restored.get(item, "").strip()]

    @field_validator("restored")
    @classmethod
    def _listed(cls, restored: dict[str, str]) -> dict[str, str]:
        for item in restored:
            if item not in RESTORE_LIST:
                raise ValueError(f"no item {item!r}; the list has {', '.join(RESTORE_LIST)}")
        return restored

    @model_validator(mode="before")
    @classmethod
    def _shares(cls, table: Any) -> Any:
        cells = table.get("cells") if isinstance(table, dict) else None
        if isinstance(cells, list):
            given = [isinstance(c, dict) and bool(c.get("share")) for c in cells]
            if any(given) and not all(given):
                raise ValueError("cells: write the share of every cell or of none")
        return table
