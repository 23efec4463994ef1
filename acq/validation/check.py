"""What a check of the installed copy is: a published figure, its source, and what we compute."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class PublishedCheck:
    """One published figure. `tolerance` is absolute; the digits that were printed, or the model's.

    `confirmed` is False where figure or source are from memory and nobody has seen them printed.
    """

    name: str
    source: str  # standard and clause, or data set
    published: float
    tolerance: float
    unit: str
    compute: Callable[[], float]
    confirmed: bool = True


@dataclass(frozen=True, slots=True)
class Comparison:
    """A published figure beside what this copy computes."""

    check: PublishedCheck
    computed: float  # NaN where it could not be computed
    problem: str = ""

    @property
    def agrees(self) -> bool:
        """Whether the difference is within the check's tolerance."""
        return abs(self.computed - self.check.published) <= self.check.tolerance

    def as_json(self) -> dict[str, Any]:
        """Return plain values, for the record."""
        check = self.check
        return {
            "name": check.name,
            "source": check.source,
            "confirmed": check.confirmed,
            "published": check.published,
            "tolerance": check.tolerance,
            "unit": check.unit,
            "computed": None if math.isnan(self.computed) else self.computed,
            "problem": self.problem,
            "agrees": self.agrees,
        }


def compare(check: PublishedCheck) -> Comparison:
    """Compute one figure; what cannot be computed disagrees and says why."""
    try:
        return Comparison(check, float(check.compute()))
    except Exception as error:  # noqa: BLE001  (a broken library is just what this looks for)
        return Comparison(check, math.nan, f"{type(error).__name__}: {error}")
