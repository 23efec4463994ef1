"""Units of a file of loads and outputs.

Loads keep the unit of the file while they are computed with, so that a mistake is told in the
numbers that the person wrote; documents carry SI. Outputs become ratios in V/V at once.

A load is a mass or a force, and stays what it is: turning one into the other needs the local
gravity, which no file of readings tells.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

from acq.cells.paper_units import FORCE, MASS, NUMBER, RATIO, VOLTS
from acq.errors import WrongInput

COUNTS = "counts"
OUTPUT_UNITS = (*RATIO.units, *(unit for unit in VOLTS.units if unit != "kV"), COUNTS)
LOAD_UNITS = (*MASS.units, *FORCE.units)


@dataclass(frozen=True, slots=True)
class Units:
    """What the file's columns are in, and what is printed."""

    load: str
    output: str

    @property
    def kind(self) -> Literal["mass", "force"]:
        return "mass" if self.load in MASS.units else "force"

    @property
    def load_si(self) -> str:
        return "kg" if self.kind == "mass" else "N"

    @property
    def load_factor(self) -> float:
        """SI units in one of the file's."""
        return (MASS if self.kind == "mass" else FORCE).units[self.load]

    @property
    def output_si(self) -> str:
        """The unit of outputs inside: the ratio, or counts where there is nothing to relate to."""
        return COUNTS if self.output == COUNTS else "V/V"

    @property
    def in_volts(self) -> bool:
        """Whether outputs are voltages, to be divided by the excitation of their row."""
        return self.output in VOLTS.units

    @property
    def output_factor(self) -> float:
        """SI units in one of the file's, of a ratio, a voltage or counts."""
        if self.output == COUNTS:
            return 1.0
        return (VOLTS if self.in_volts else RATIO).units[self.output]

    @property
    def output_shown(self) -> str:
        """The unit in which outputs are printed."""
        return "mV/V" if self.in_volts else self.output

    def shown_output(self, value: float) -> float:
        """Return an inner output as the number that is printed."""
        if self.output == COUNTS:
            return value
        return value / RATIO.units[self.output_shown]

    def si_load(self, value: float) -> float:
        """Return a load of the file in kg or N."""
        return value * self.load_factor

    def load_text(self, value: float) -> str:
        return f"{value:.8g} {self.load}"

    def read_output(self, text: str) -> float:
        """Return an inner output of "1.2345" or "1.2345 mV/V"; raises WrongInput."""
        number, unit = split_unit(text, "an output")
        if unit in ("", self.output_shown):
            shown = 1.0 if self.output == COUNTS else RATIO.units[self.output_shown]
            return number * shown
        if unit not in RATIO.units or self.output == COUNTS:
            raise WrongInput(f"output {text!r}: the file is in {self.output_shown}")
        return number * RATIO.units[unit]

    def read_load(self, text: str, what: str) -> float:
        """Return "500" or "500 kg" in the file's unit; raises WrongInput where mass meets force."""
        number, unit = split_unit(text, what)
        unit = unit or self.load
        family = MASS if self.kind == "mass" else FORCE
        if unit not in family.units:
            raise WrongInput(
                f"{what} {text!r}: the loads of the file are a {self.kind} in {self.load}; "
                f"allowed are {family.allowed}"
            )
        if unit == self.load:
            return number
        return number * family.units[unit] / self.load_factor


def place(where: str, units: Units) -> str:
    """Return where a figure was found, "8000 down", with the unit of its load."""
    first, _, rest = where.partition(" ")
    try:
        return f"{units.load_text(float(first))} {rest}".strip()
    except ValueError:
        return where


def split_unit(text: str, what: str) -> tuple[float, str]:
    """Return number and unit of "12.5 kg"; raises WrongInput when there is no number."""
    match = re.fullmatch(rf"\s*({NUMBER})\s*(.*?)\s*", text)
    if match is None:
        raise WrongInput(f"{what} {text!r} is not a number")
    number = float(match[1].replace(",", "."))
    if not math.isfinite(number):
        raise WrongInput(f"{what} {text!r} is out of all reason")
    return number, match[2]


def checked_units(load: str, output: str, excitation: bool) -> Units:
    """Return the units, or raise WrongInput for one that is unknown or cannot be what it says."""
    if load not in LOAD_UNITS:
        raise WrongInput(f"load unit {load!r}: allowed are {', '.join(LOAD_UNITS)}")
    if output not in OUTPUT_UNITS:
        raise WrongInput(f"output unit {output!r}: allowed are {', '.join(OUTPUT_UNITS)}")
    units = Units(load, output)
    if units.in_volts and not excitation:
        raise WrongInput(
            f"outputs in {output} need the column excitation (V, measured at the cell in the same "
            "moment); without it give outputs in mV/V"
        )
    if excitation and not units.in_volts:
        raise WrongInput(
            f"there is a column excitation, but outputs in {output} are no voltages: "
            "give --output-unit mV, or leave the column out"
        )
    return units
