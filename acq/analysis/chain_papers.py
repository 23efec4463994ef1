"""A weighing chain as its papers describe it, and the readings that were taken on it.

Everything in SI (V/V, V, A, ohm) and kilograms; `acq.cells.chain_file` reads it from a file in
the trade's units. What is not here: equations (`chain`), faults (`chain_hypotheses`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import TypedDict

from acq.analysis.chain import (
    Loop,
    Transmitter,
    current_for_ratio,
    displayed,
    excitation_share,
    excitation_trimmed,
    joined_ratio,
)
from acq.readings.measured import Uncertain


class Block(Enum):
    """The parts of a chain that a person can exchange or put right."""

    MECHANICS = "mechanics"
    CELL = "cell"
    BOX = "junction box"
    CABLE = "home-run cable"
    TRANSMITTER = "transmitter"
    LOOP = "loop"
    CONTROL = "control system"


INTERFACES = {
    "I0": "load to cell",
    "I1": "cell end of the cell cable",
    "I2": "junction-box input of each cell",
    "I3": "junction-box sum",
    "I4": "transmitter bridge terminals",
    "I5": "transmitter current",
    "I6": "control-system input terminals",
    "I7": "scaled value",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainCell:
    """One cell of the group: its sheet, its trim, and its share of an evenly spread load.

    `compensation_plus` is the part of the span compensation that sits in Ex+: a half when
    symmetrical or not known, 1 when one-sided. `wires` 6: with sense leads of its own; then
    its sheet holds per volt at the bridge, where `excitation_kept` of a volt at the box arrives.
    """

    name: str
    capacity: float
    rated_output: float
    zero: float
    input_ohms: float
    output_ohms: float
    share: float
    excitation_trim_ohms: float = 0.0
    compensation_plus: float = 0.5
    wires: int = 4
    excitation_kept: float = 1.0

    def ratio(self, load: float) -> float:
        """Output in V/V per volt at the box under this load in kg, its trim in place."""
        ideal = self.zero + self.rated_output * load / self.capacity
        trimmed = excitation_trimmed(ideal, self.input_ohms, self.excitation_trim_ohms)
        return trimmed * self.excitation_kept


@dataclass(frozen=True, slots=True)
class Allowed:
    """How far a sound block may be off, with the paper that says so."""

    value: float
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerances:
    """What is allowed at each interface; fractions of the span unless a unit is named."""

    cell_zero: Allowed  # fraction of rated output
    cell_output: Allowed  # fraction of rated output
    cell_ohms: Allowed  # ohm
    sharing: Allowed  # fraction of the load that a cell may carry more or less than its share
    mechanics: Allowed
    box: Allowed
    cable: Allowed
    transmitter: Allowed
    loop: Allowed
    control: Allowed
    excitation: Allowed  # fraction of the excitation
    inputs: Allowed = field(  # between two box inputs, fraction of the excitation
        default_factory=lambda: Allowed(0.004, "common practice, no source")
    )
    corners: Allowed = field(  # of the load over one mount, between the mounts
        default_factory=lambda: Allowed(0.008, "common practice, no source")
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Chain:
    """A whole chain on paper. `conductor_ohms` is one conductor of the home-run cable.

    `excitation_volts` stand at the transmitter's Ex terminals or, `regulated_at_sense`, at its
    sense terminals: then the Ex terminals carry what the cable loses on top.
    """

    name: str
    cells: tuple[ChainCell, ...]
    conductor_ohms: float
    sensed: bool
    transmitter: Transmitter
    excitation_volts: float
    regulated_at_sense: bool
    loop: Loop | None
    lower: float
    upper: float
    digit: float
    dead_load: float
    u_dead_load: float
    tolerances: Tolerances
    corner_fraction: float = 0.7
    u_corner_fraction: float = 0.1

    @property
    def span_ratio(self) -> float:
        """Span of the transmitter in V/V."""
        return self.transmitter.ratio_at_20 - self.transmitter.ratio_at_4

    @property
    def span_shown(self) -> float:
        """Span of the control system in kg."""
        return self.upper - self.lower

    @property
    def cable_share(self) -> float:
        """Part of the excitation that reaches the box."""
        ohms = [cell.input_ohms + cell.excitation_trim_ohms for cell in self.cells]
        return excitation_share(ohms, self.conductor_ohms)

    @property
    def terminal_volts(self) -> float:
        """Excitation in V at the transmitter's Ex terminals."""
        raised = self.regulated_at_sense and self.sensed
        return self.excitation_volts / self.cable_share if raised else self.excitation_volts

    def box_ratio(self, loads: tuple[float, ...]) -> float:
        """Sum of the box in V/V per volt at the box, for the load in kg on each cell."""
        ratios = [cell.ratio(load) for cell, load in zip(self.cells, loads, strict=True)]
        return joined_ratio(ratios, [cell.output_ohms for cell in self.cells])

    def terminal_ratio(self, at_box: float) -> float:
        """Ratio at the transmitter for one at the box: the same with sense, else cable lost."""
        return at_box if self.sensed else at_box * self.cable_share

    def shown(self, load: float) -> float:
        """What a sound chain displays under an evenly spread live load in kg, by its papers."""
        loads = tuple(cell.share * (self.dead_load + load) for cell in self.cells)
        ratio = self.terminal_ratio(self.box_ratio(loads))
        asked = current_for_ratio(ratio, self.transmitter.ratio_at_4, self.transmitter.ratio_at_20)
        return displayed(asked, self.lower, self.upper)


class Kind(Enum):
    """What was measured; the text is `what, between which places`."""

    EXCITATION = "excitation at the transmitter"
    BOX_SHARE = "excitation at the box per excitation at the transmitter"
    CELL_SHARE = "excitation at a cell's terminals in the box per excitation at the box"
    SENSE = "voltage at the transmitter's sense terminals per excitation at the box"
    CELL_RATIO = "mV/V of one cell, its signal pair lifted in the box"
    BOX_RATIO = "mV/V of the box sum"
    BOX_ALONE = "mV/V of the box sum, the home-run signal pair lifted"
    TERMINAL_RATIO = "mV/V at the transmitter"
    SENT = "mA at the transmitter"
    RECEIVED = "mA at the control-system input"
    SHOWN = "display"
    FED_TERMINALS_SENT = "mV/V fed at the transmitter, mA read"
    FED_TERMINALS_SHOWN = "mV/V fed at the transmitter, display read"
    FED_BOX_TERMINALS = "mV/V fed at the box end, mV/V read at the transmitter"
    FED_BOX_SENT = "mV/V fed at the box end, mA read"
    FED_BOX_SHOWN = "mV/V fed at the box end, display read"
    FED_CURRENT_SHOWN = "mA fed at the control-system input, display read"
    INPUT_OHMS = "input resistance of one cell at the box, cell disconnected"
    OUTPUT_OHMS = "output resistance of one cell at the box, cell disconnected"


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadState:
    """What lies on the chain while it is read: live load in kg, its uncertainty, and where.

    `corner` is the number (from 0) of the cell over which the live load stands; None when it
    is spread. `u_live` is a standard uncertainty; large when nobody knows the content.
    `measured` is the live load with its influences, where a run has them.
    """

    name: str
    live: float
    u_live: float = 0.0
    corner: int | None = None
    measured: Uncertain | None = field(default=None, compare=False, repr=False)


class Place(TypedDict, total=False):
    """Where and under what a row was read, as keywords."""

    state: str | None
    cell: int | None
    fed: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One reading. `value` None: open, over-range or floating, so no number exists.

    `u` is its standard uncertainty, in the unit of the value (SI, kg for a display). `limited`:
    the transmitter stood at one of its limits, so the value says no more than that. `measured`
    is the value with its influences, where a run has them: what two rows share cancels. `parts`
    are what `u` is made of, by name, where only that is known.
    """

    kind: Kind
    value: float | None
    u: float
    state: str | None = None
    cell: int | None = None
    fed: float | None = None
    limited: bool = False
    falling: bool = False  # fed on the way down
    measured: Uncertain | None = field(default=None, compare=False, repr=False)
    parts: tuple[tuple[str, float], ...] = field(default=(), compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainReadings:
    """All readings of one visit: the load states by name, and the rows."""

    states: Mapping[str, LoadState]
    rows: tuple[Row, ...]

    def of(self, kind: Kind, state: str | None = None) -> tuple[Row, ...]:
        """Readings of one kind that are numbers, of one state or (None) of all."""
        return tuple(
            row
            for row in self.rows
            if row.kind is kind and row.value is not None and state in (None, row.state)
        )

    def value(self, kind: Kind, state: str | None = None, cell: int | None = None) -> Row | None:
        """The first such reading, or None."""
        found = (row for row in self.of(kind, state) if cell is None or row.cell == cell)
        return next(found, None)
