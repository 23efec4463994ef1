"""A value with its allowed span, as papers state one: "385 ± 12 ohm", ">= 5 Gohm", "± 1 %RO"."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from acq.cells.paper_units import NUMBER, Dimension, quantity, tidy

_UNIT = r"[^\d\s+\-,.][^,]*?"
_FORMS: tuple[tuple[str, re.Pattern[str]], ...] = (
    ("whole", re.compile(rf"({NUMBER}) to ({NUMBER}) ({_UNIT}), nominal ({NUMBER}) \3")),
    ("around", re.compile(rf"({NUMBER})\s*({_UNIT})?\s*\+-\s*({NUMBER})\s*({_UNIT})")),
    ("about zero", re.compile(rf"()()\+-\s*({NUMBER})\s*({_UNIT})")),
    ("between", re.compile(rf"({NUMBER})\s*({_UNIT})?\s*(?:to|\.\.| - )\s*({NUMBER})\s*({_UNIT})")),
    ("at least", re.compile(rf"(?:>=|>|min\.?|at least)\s*({NUMBER}\s*{_UNIT})")),
    ("at most", re.compile(rf"(?:<=|<|max\.?|at most)\s*({NUMBER}\s*{_UNIT})")),
)


@dataclass(frozen=True, slots=True)
class Span:
    """SI values; any of the three may be missing, as on papers."""

    nominal: float | None = None
    lower: float | None = None
    upper: float | None = None

    def __post_init__(self) -> None:
        if self.lower is not None and self.upper is not None and self.lower > self.upper:
            raise ValueError(f"the lower end {self.lower} is above the upper end {self.upper}")

    @property
    def limited(self) -> bool:
        """Tell whether there is a side that a value could break."""
        return self.lower is not None or self.upper is not None

    @property
    def best(self) -> float | None:
        """The nominal value, else the middle of two ends; None when neither is known."""
        if self.nominal is not None or self.lower is None or self.upper is None:
            return self.nominal
        return (self.lower + self.upper) / 2.0

    def text(self, unit: str) -> str:
        """Return what `read_span` reads back to exactly this span."""
        if self.lower is not None and self.upper is not None:
            ends = f"{self.lower!r} to {self.upper!r} {unit}"
            return ends if self.nominal is None else f"{ends}, nominal {self.nominal!r} {unit}"
        if self.lower is not None:
            return f">= {self.lower!r} {unit}"
        if self.upper is not None:
            return f"<= {self.upper!r} {unit}"
        return f"{self.nominal!r} {unit}"


def read_span(
    text: str, dimension: Dimension, value: Callable[[str, Dimension], float] = quantity
) -> Span:
    """Return the span of a paper's text; raises ValueError that names the forms and units."""
    cleaned = tidy(text)
    for form, pattern in _FORMS:
        match = pattern.fullmatch(cleaned)
        if match is not None:
            return _span(form, [part or "" for part in match.groups()], dimension, value)
    return Span(nominal=value(cleaned, dimension))


def _span(
    form: str, parts: list[str], dimension: Dimension, value: Callable[[str, Dimension], float]
) -> Span:
    def of(number: str, unit: str) -> float:
        return value(f"{number} {unit}", dimension)

    match form:
        case "whole":
            lower, upper, unit, nominal = parts
            return Span(of(nominal, unit), of(lower, unit), of(upper, unit))
        case "around":
            return _around(parts, of)
        case "about zero":
            half = of(parts[2], parts[3])
            return Span(0.0, -half, half)
        case "between":
            return Span(None, of(parts[0], parts[1] or parts[3]), of(parts[2], parts[3]))
        case "at least":
            return Span(lower=value(parts[0], dimension))
    return Span(upper=value(parts[0], dimension))


def _around(parts: list[str], of: Callable[[str, str], float]) -> Span:
    """Return nominal ± half; a half in % is of the nominal value, unless that is in % itself."""
    nominal_number, nominal_unit, half_number, half_unit = parts
    nominal = of(nominal_number, nominal_unit or half_unit)
    if half_unit == "%" and nominal_unit and not nominal_unit.startswith("%"):
        half = abs(nominal) * of_percent(half_number)
    else:
        half = of(half_number, half_unit)
    if half < 0.0:
        raise ValueError("what stands behind ± must not be negative")
    return Span(nominal, nominal - half, nominal + half)


def of_percent(number_text: str) -> float:
    """Return the fraction of a number of percent."""
    return float(number_text.replace(",", ".")) / 100.0
