"""Decision rules by name, and the limits they are applied to."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from acq.errors import WrongInput
from acq.readings.units import format_limits

GUARD_BAND = ", w = "


class RuleName(StrEnum):
    """The rules a plan may name."""

    SIMPLE_ACCEPTANCE = "simple acceptance"
    GUARDED_ACCEPTANCE = "guarded acceptance"
    GUARDED_REJECTION = "guarded rejection"
    FOUR_STATEMENTS = "four statements"
    NORMALISED_ERROR = "normalised error"


@dataclass(frozen=True, slots=True)
class Rule:
    """A decision rule; its guard band is w = r U (ILAC-G8:09/2019 4.2)."""

    name: RuleName
    r: float = 1.0

    @classmethod
    def named(cls, text: str) -> Rule:
        """Return the rule of "guarded acceptance" or "guarded acceptance, w = 0.83 U".

        Raises WrongInput that names the rules there are.
        """
        name, _, band = text.strip().partition(GUARD_BAND)
        try:
            r = float(band.removesuffix("U").strip()) if band else 1.0
            rule = cls(RuleName(name), r)
        except ValueError:
            rule = None
        if rule is not None and rule.name is RuleName.GUARDED_REJECTION and rule.r > 1.0:
            raise WrongInput(
                f"{text!r}: beyond limit + U a result fails whatever U is; w is U at most here"
            )
        if rule is None or not (0.0 <= rule.r < math.inf):
            names = ", ".join(RuleName)
            raise WrongInput(
                f"no decision rule {text!r}; there are: {names}, or with ', w = 0.83 U'"
            )
        return rule

    def guard_band(self, U: float) -> float:
        """Return w in the unit of U; zero for simple acceptance."""
        return 0.0 if self.name is RuleName.SIMPLE_ACCEPTANCE else self.r * U

    def __str__(self) -> str:
        return self.name.value if self.r == 1.0 else f"{self.name.value}{GUARD_BAND}{self.r:g} U"


@dataclass(frozen=True, slots=True)
class Limit:
    """Tolerance limits in `unit` with the source they come from; a missing side is no limit.

    `decides` says whether the plan lets this one decide; the others are shown beside it.
    `reference` and its expanded uncertainty are the value that another laboratory found.
    """

    lower: float | None
    upper: float | None
    unit: str
    source: str
    decides: bool = True
    reference: float | None = None
    reference_uncertainty: float | None = None

    def __post_init__(self) -> None:
        if self.lower is None and self.upper is None and self.reference is None:
            raise ValueError(f"{self.source}: a limit needs a lower or an upper side")
        if self.lower is not None and self.upper is not None and self.lower > self.upper:
            raise ValueError(f"{self.source}: lower limit {self.lower} above upper {self.upper}")

    @property
    def tolerance(self) -> float:
        """What U is compared with: half the width of two limits, the size of a single one."""
        if self.lower is not None and self.upper is not None:
            return (self.upper - self.lower) / 2.0
        single = self.upper if self.lower is None else self.lower
        return math.inf if single is None else abs(single)

    def margin(self, value: float) -> float:
        """Return how far inside the nearer limit a value lies; negative outside."""
        below = math.inf if self.lower is None else value - self.lower
        above = math.inf if self.upper is None else self.upper - value
        return min(below, above)

    def to_json(self) -> dict[str, Any]:
        """Return the limit as findings keep it."""
        kept = {"lower": self.lower, "upper": self.upper, "unit": self.unit}
        return kept | {"source": self.source, "decides": self.decides}

    def __str__(self) -> str:
        return f"{format_limits(self.lower, self.upper, self.unit)} ({self.source})"
