"""The individual calibration sheet of one serial: what somebody found. Blanks are usual."""

from __future__ import annotations

from datetime import date
from typing import Any, Literal, Self

from pydantic import Field, model_validator

from acq.cells.paper_fields import (
    Celsius,
    Fraction,
    Gravity,
    Loads,
    Metres,
    Ohms,
    OhmSpan,
    Percent,
    Ratio,
    Volts,
    Wires,
)
from acq.cells.paper_units import FORCE, FRACTION, MASS, RATIO, factor, of_output, quantity, ratio
from drivers.written_file import Written

Point = tuple[float, float]
OF_OUTPUT = (
    "shunt_output",
    "shunt_output_uncertainty",
    "zero_balance",
    "zero_balance_uncertainty",
    "rated_output_uncertainty",
)


class LoadTable(Written):
    """Output above zero against load, mean of runs, as printed: rows of (load, output)."""

    load_unit: str = "%"  # of the capacity, or a unit of mass or force
    output_unit: str = "mV/V"
    direction: Literal["tension", "compression"] | None = None
    runs: int | None = Field(default=None, ge=1)
    rising: tuple[Point, ...]
    falling: tuple[Point, ...] = ()

    @model_validator(mode="after")
    def _readable(self) -> Self:
        factor(self.output_unit, RATIO)
        if self.load_unit not in (*FRACTION.units, *MASS.units, *FORCE.units):
            raise ValueError(f"load_unit: allowed are %, {MASS.allowed}, {FORCE.allowed}")
        loads = [load for load, _ in self.rising]
        if len(loads) < 2 or loads != sorted(set(loads)):
            raise ValueError("rising needs two rows at least, loads increasing")
        back = [load for load, _ in self.falling]
        if back != sorted(set(back), reverse=True):
            raise ValueError("falling needs loads decreasing")
        return self

    def points(self, capacity: float, branch: Literal["rising", "falling"]) -> tuple[Point, ...]:
        """Return (load as part of the capacity, V/V); `capacity` is in kg or N as load_unit is."""
        rows = self.rising if branch == "rising" else self.falling
        output = factor(self.output_unit, RATIO)
        if self.load_unit in FRACTION.units:
            part = FRACTION.units[self.load_unit]
        else:
            kind = MASS if self.load_unit in MASS.units else FORCE
            part = kind.units[self.load_unit] / capacity
        return tuple((load * part, value * output) for load, value in rows)


class CalibrationSheet(Written):
    """One sheet. `ours` marks a baseline that this bench measured because the sheet was lost."""

    date: date
    laboratory: str = ""
    certificate: str = ""
    note: str = ""
    ours: bool = False
    rated_output: Ratio = None
    rated_output_uncertainty: Ratio = None  # expanded, k = 2; in mV/V or %RO
    direction: Literal["tension", "compression"] | None = None
    rated_output_other_direction: Ratio = None
    zero_balance: Ratio = None
    zero_balance_uncertainty: Ratio = None
    shunt_output: Ratio = None  # change of the output with the calibration resistor
    shunt_output_uncertainty: Ratio = None  # expanded, k = 2
    position: str = ""  # of the cell when the zero balance was read
    input_resistance: Ohms = None
    output_resistance: Ohms = None
    resistance_uncertainty: Ohms = None  # expanded, k = 2
    insulation_resistance: OhmSpan = None
    non_linearity: Fraction = None
    hysteresis: Fraction = None
    repeatability: Fraction = None
    creep_30_min: Fraction = None
    zero_return: Fraction = None
    characteristics_uncertainty: Fraction = None  # expanded, k = 2, of each of the five above
    load_table: LoadTable | None = None
    excitation: Volts = None
    capacity: Loads = None  # where the sheet states another one than the type
    cable_length: Metres = None
    wires: Wires = None
    temperature: Celsius = None
    relative_humidity: Percent = None
    gravity: Gravity = None
    reference_standard: str = ""
    signed_by: str = ""

    @model_validator(mode="before")
    @classmethod
    def _output_in_percent(cls, table: Any) -> Any:
        """Turn %RO into V/V, of the rated output that this very sheet states."""
        if not isinstance(table, dict):
            return table
        given = table.get("rated_output")
        changed = dict(table)
        for key in OF_OUTPUT:
            text = table.get(key)
            if isinstance(text, str) and "%" in text:
                changed[key] = _of_output(key, text, given)
        return changed

    @property
    def name(self) -> str:
        """The sheet as limits cite it."""
        whose = "our baseline" if self.ours else "own calibration sheet"
        return f"{whose} of {self.date.isoformat()}"


def _of_output(key: str, text: str, rated_output: Any) -> str:
    """Return a share of the rated output as a ratio; the message names the key itself."""
    try:
        rated = ratio(rated_output) if isinstance(rated_output, str) else None
    except ValueError:
        rated = None  # its own field says what is wrong with it
    try:
        return f"{quantity(text, of_output(rated))!r} V/V"
    except ValueError as error:
        raise ValueError(f"{key}: {error}") from None
