"""Accuracy of an instrument as its manual prints it: ppm of reading plus ppm of range.

Part of the bench file. A manual's figure is a limit of error; it becomes a standard uncertainty
by its coverage factor: the square root of three for a limit without a stated distribution
(GUM 4.3.7), 2 where the manual says "k = 2".
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

from pydantic import Field, model_validator

from drivers.written_file import Written

Quantity = Literal[
    "dc-voltage",
    "ac-voltage",
    "resistance",
    "resistance-2-wire",
    "dc-current",
    "voltage-ratio",
    "voltage",
    "current",
    "insulation-resistance",
    "temperature",
    "relative-humidity",
    "pressure",
    "force",
]

UNITS: dict[str, str] = {
    "dc-voltage": "V",
    "ac-voltage": "V",
    "resistance": "ohm",
    "resistance-2-wire": "ohm",
    "dc-current": "A",
    "voltage-ratio": "V/V",
    "voltage": "V",
    "current": "A",
    "insulation-resistance": "ohm",
    "temperature": "degC",
    "relative-humidity": "percent",
    "pressure": "Pa",
    "force": "N",
}

Share = float  # 0 to 1


class Accuracy(Written):
    """Limits of error of one quantity in one range; without `range` it holds for every range.

    All values in SI. `digits` counts the last digit of the display, whose size is `resolution`.
    `offset_share` is the part of everything that is not "of reading" which is a constant offset
    and so cancels by reversal or zero subtraction. `linearity_ppm` (of range) is what stays in
    ratios of two readings in this range. `noise` is the standard deviation of one reading at
    `noise_plc` power-line cycles; it is used only where a single reading stands alone.
    `input_ohms` is the input resistance that loads the source. `within_days` of the calibration it
    holds (a manual's columns 24 h, 90 days, 1 year); without it always.
    """

    quantity: Quantity
    range: float | None = Field(default=None, gt=0)
    reading_ppm: float = Field(default=0.0, ge=0)
    range_ppm: float = Field(default=0.0, ge=0)
    absolute: float = Field(default=0.0, ge=0)
    digits: float = Field(default=0.0, ge=0)
    resolution: float | None = Field(default=None, gt=0)
    coverage_factor: float = Field(default=math.sqrt(3.0), gt=0)
    offset_share: Share | None = Field(default=None, ge=0, le=1)
    linearity_ppm: float | None = Field(default=None, ge=0)
    noise: float = Field(default=0.0, ge=0)
    noise_plc: float = Field(default=10.0, gt=0)
    input_ohms: float | None = Field(default=None, gt=0)
    temperature_reading_ppm_per_K: float = Field(default=0.0, ge=0)  # noqa: N815  (K is the kelvin)
    temperature_range_ppm_per_K: float = Field(default=0.0, ge=0)  # noqa: N815
    reference_temperature: float = 23.0
    reference_span: float = Field(default=5.0, ge=0)
    within_days: float | None = Field(default=None, gt=0)
    source: str = ""

    @model_validator(mode="after")
    def _complete(self) -> Accuracy:
        if self.range is None and (self.range_ppm or self.linearity_ppm):
            raise ValueError("a part of range needs the key range")
        if self.digits and self.resolution is None:
            raise ValueError("digits need the key resolution, the size of one digit")
        return self

    @property
    def unit(self) -> str:
        """The unit of value, range, absolute, resolution and noise."""
        return UNITS[self.quantity]

    @property
    def gain_limit(self) -> float:
        """Limit of the part that is proportional to the reading, relative."""
        return self.reading_ppm * 1e-6

    @property
    def floor_limit(self) -> float:
        """Limit of everything that does not grow with the reading, in the unit."""
        of_range = self.range_ppm * 1e-6 * (self.range or 0.0)
        return of_range + self.absolute + self.digits * (self.resolution or 0.0)

    @property
    def offset_limit(self) -> float:
        """Limit of the constant offset: the whole floor where the manual gives no split."""
        return self.floor_limit * (1.0 if self.offset_share is None else self.offset_share)

    @property
    def linearity_limit(self) -> float:
        """Limit of what neither gain nor offset explains: the larger of both statements."""
        rest = self.floor_limit - self.offset_limit
        return max(rest, (self.linearity_ppm or 0.0) * 1e-6 * (self.range or 0.0))

    def kelvins_outside(self, temperature: float) -> float:
        """Return how far the bench (degC) is outside the temperatures the limits hold for."""
        return max(0.0, abs(temperature - self.reference_temperature) - self.reference_span)


def check_entries(entries: Sequence[Accuracy]) -> None:
    """Raises ValueError for an entry that states nothing, and for two of one range and time.

    One that states nothing would make every reading exact.
    """
    seen: list[tuple[str, float | None, float | None]] = []
    for entry in entries:
        where = "every range" if entry.range is None else f"range {entry.range:g}"
        key = (entry.quantity, entry.range, entry.within_days)
        if key in seen:
            raise ValueError(f"{entry.quantity}, {where}: two entries for the same time")
        seen.append(key)
        limits = (entry.reading_ppm, entry.range_ppm, entry.absolute, entry.digits)
        if not any((*limits, entry.linearity_ppm, entry.resolution, entry.noise)):
            raise ValueError(
                f"{entry.quantity}, {where}: states no limit of error; give reading_ppm, range_ppm,"
                " absolute or digits, or leave the entry out"
            )


def same_range(one: float, other: float | None) -> bool:
    """Return whether two range values name the same range."""
    return other is not None and math.isclose(one, other, rel_tol=1e-6)


def in_their_time(entries: tuple[Accuracy, ...], days: float | None) -> tuple[Accuracy, ...]:
    """Return the entries that hold so many days after the calibration, one of each range.

    Of several columns the shortest that still holds is taken. Where the age is not known, or
    none holds any more, it is the longest: that the time is over is told by `holds_days`.
    """
    chosen: dict[tuple[str, float | None], Accuracy] = {}
    for entry in sorted(entries, key=lambda each: each.within_days or math.inf):
        where = (entry.quantity, entry.range)
        if where not in chosen or _over(chosen[where], days):
            chosen[where] = entry
    return tuple(entry for entry in entries if entry in chosen.values())


def holds_days(entries: tuple[Accuracy, ...]) -> float | None:
    """Return for how many days after a calibration every range has an accuracy; None: no end."""
    longest: dict[tuple[str, float | None], float] = {}
    for entry in entries:
        where = (entry.quantity, entry.range)
        longest[where] = max(longest.get(where, 0.0), entry.within_days or math.inf)
    shortest = min(longest.values(), default=math.inf)
    return None if math.isinf(shortest) else shortest


def _over(entry: Accuracy, days: float | None) -> bool:
    return entry.within_days is not None and (days is None or days > entry.within_days)


def find_accuracy(
    entries: tuple[Accuracy, ...], quantity: str, range_: float | None, value: float | None
) -> Accuracy | None:
    """Return the entry for a range, or for the smallest range that holds the value; else None.

    An entry without a range holds for every value, after those with one.
    """
    candidates = [entry for entry in entries if entry.quantity == quantity]
    ranged = sorted(
        (entry for entry in candidates if entry.range is not None), key=lambda e: e.range or 0.0
    )
    for entry in ranged:
        if entry.range is None:
            continue
        if same_range(entry.range, range_):
            return entry
        if range_ is None and value is not None and abs(value) <= entry.range:
            return entry
    return next((entry for entry in candidates if entry.range is None), None)
