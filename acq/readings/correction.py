"""Corrections from a calibration certificate, by which an instrument's indications are mended.

A correction is what is added to the indication (JCGM 200:2012, 2.53). Between calibration points it
is interpolated, beyond them the nearest one holds; in a table without a range only a tenth beyond
the largest, for nobody has looked further. The manual's limits of error stay in the budget
beside it: they now stand for the drift since the calibration.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from itertools import pairwise

from pydantic import Field, field_validator

from acq.readings.specification import UNITS, Quantity, same_range
from drivers.written_file import Written

_BEYOND = 1.1


class CalibrationPoint(Written):
    """One line of a certificate: the indication, what is added to it, and its uncertainty (SI)."""

    at: float
    correction: float
    expanded_uncertainty: float = Field(ge=0)


class Correction(Written):
    """The corrections of one quantity in one range; without `range` they hold in every range."""

    quantity: Quantity
    range: float | None = Field(default=None, gt=0)
    points: tuple[CalibrationPoint, ...] = Field(min_length=1)
    coverage_factor: float = Field(default=2.0, gt=0)
    source: str = ""

    @field_validator("points")
    @classmethod
    def _rising(cls, points: tuple[CalibrationPoint, ...]) -> tuple[CalibrationPoint, ...]:
        for one, two in pairwise(points):
            if two.at <= one.at:
                raise ValueError(f"at {two.at:g} stands after {one.at:g}: they must rise")
        return points

    @property
    def unit(self) -> str:
        return UNITS[self.quantity]

    def reaches(self, indication: float) -> bool:
        """Whether the table says anything about an indication so large."""
        largest = max(abs(point.at) for point in self.points)
        return self.range is not None or abs(indication) <= _BEYOND * largest

    def at(self, indication: float) -> tuple[float, float]:
        """Return (correction, its standard uncertainty) at an indication."""
        places = [point.at for point in self.points]
        after = bisect_left(places, indication)
        low = self.points[max(0, after - 1)]
        high = self.points[min(after, len(self.points) - 1)]
        width = high.at - low.at
        share = (indication - low.at) / width if width else 0.0
        correction = low.correction + share * (high.correction - low.correction)
        expanded = (
            low.expanded_uncertainty
            + (high.expanded_uncertainty - low.expanded_uncertainty) * share
        )
        return correction, expanded / self.coverage_factor


def find_correction(
    entries: Iterable[Correction], quantity: str, range_: float | None
) -> Correction | None:
    """Return the corrections of a range, else those of every range, else None."""
    candidates = [entry for entry in entries if entry.quantity == quantity]
    for entry in candidates:
        if entry.range is not None and same_range(entry.range, range_):
            return entry
    return next((entry for entry in candidates if entry.range is None), None)


def each_once(entries: Sequence[Correction]) -> None:
    """Raises ValueError when a range has two tables."""
    seen: list[tuple[str, float | None]] = []
    for entry in entries:
        if (entry.quantity, entry.range) in seen:
            where = "every range" if entry.range is None else f"range {entry.range:g}"
            raise ValueError(f"{entry.quantity}, {where}: two tables of corrections")
        seen.append((entry.quantity, entry.range))
