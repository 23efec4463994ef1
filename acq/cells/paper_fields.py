"""Fields of sheets: text with its unit in, SI inside, text that reads back exactly out.

A blank is None: papers have gaps, and a gap is not a zero.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, PlainSerializer

from acq.cells import paper_units as units
from acq.cells.paper_units import Dimension
from acq.cells.span import Span, read_span


@dataclass(frozen=True, slots=True)
class Load:
    """A mass in kg or a force in N; which of the two matters, because gravity lies between."""

    value: float
    unit: Literal["kg", "N"]

    def __str__(self) -> str:
        return f"{self.value:g} {self.unit}"


def load(text: str) -> Load:
    """Return the load of "500 kg", "2 t", "1000 lb" or "5 kN"; ValueError names both kinds."""
    try:
        return Load(units.quantity(text, units.MASS), "kg")
    except ValueError:
        pass
    try:
        return Load(units.quantity(text, units.FORCE), "N")
    except ValueError:
        allowed = f"{units.MASS.allowed}, {units.FORCE.allowed}"
        raise ValueError(
            f"a load is needed, such as '500 kg', in {allowed}; got {text!r}"
        ) from None


def _blank(value: object) -> bool:
    return value is None or (isinstance(value, str) and value.strip() in ("", "-", "n/a"))


def _text(value: object, example: str) -> str:
    if isinstance(value, str):
        return value
    raise ValueError(f"needs text with its unit, such as {example!r}, got {value!r}")


def _number(read: Callable[[str], float], example: str, si: str) -> tuple[Any, Any]:
    def before(value: object) -> object:
        return None if _blank(value) else read(_text(value, example))

    def out(value: float | None) -> str | None:
        return None if value is None else f"{value!r} {si}"

    return BeforeValidator(before), PlainSerializer(out, when_used="json")


def _plain(dimension: Dimension) -> tuple[Any, Any]:
    def read(text: str) -> float:
        return units.quantity(text, dimension)

    return _number(read, dimension.example, dimension.si)


def _span(
    dimension: Dimension, value: Callable[[str, Dimension], float] = units.quantity
) -> tuple[Any, Any]:
    def before(given: object) -> object:
        if isinstance(given, Span) or _blank(given):
            return given if isinstance(given, Span) else None
        return read_span(_text(given, dimension.example), dimension, value)

    def out(given: Span | None) -> str | None:
        return None if given is None else given.text(dimension.si)

    return BeforeValidator(before), PlainSerializer(out, when_used="json")


def _load_before(value: object) -> object:
    if isinstance(value, Load) or _blank(value):
        return value if isinstance(value, Load) else None
    return load(_text(value, "500 kg"))


def _load_out(value: Load | None) -> str | None:
    return None if value is None else f"{value.value!r} {value.unit}"


def _wires(value: object) -> object:
    """Tables and prompts give text; the number of wires is one of two."""
    if _blank(value):
        return None
    return int(value) if isinstance(value, str) and value.strip() in ("4", "6") else value


def _celsius(text: str, _: Dimension) -> float:
    return units.celsius(text)


def _ratio(text: str, _: Dimension) -> float:
    return units.ratio(text)


_CELSIUS = Dimension("degC", {"degC": 1.0, "degF": 1.0}, "-10 to 40 degC")

Loads = Annotated[Load | None, BeforeValidator(_load_before), PlainSerializer(_load_out)]
Ohms = Annotated[float | None, *_plain(units.OHMS)]
OhmSpan = Annotated[Span | None, *_span(units.OHMS)]
Volts = Annotated[float | None, *_plain(units.VOLTS)]
VoltSpan = Annotated[Span | None, *_span(units.VOLTS)]
Amperes = Annotated[float | None, *_plain(units.AMPERES)]
AmpereSpan = Annotated[Span | None, *_span(units.AMPERES)]
Watts = Annotated[float | None, *_plain(units.WATTS)]
Ratio = Annotated[float | None, *_number(units.ratio, "2.0011 mV/V", "V/V")]
RatioSpan = Annotated[Span | None, *_span(units.RATIO, _ratio)]
Fraction = Annotated[float | None, *_plain(units.FRACTION)]
PerKelvin = Annotated[float | None, *_number(units.per_kelvin, "0.014 %RO/10 K", "1/K")]
Metres = Annotated[float | None, *_plain(units.METRES)]
Area = Annotated[float | None, *_plain(units.AREA)]
OhmsPerMetre = Annotated[float | None, *_plain(units.OHMS_PER_METRE)]
Hertz = Annotated[float | None, *_plain(units.HERTZ)]
NewtonMetres = Annotated[float | None, *_plain(units.NEWTON_METRES)]
Gravity = Annotated[float | None, *_plain(units.GRAVITY)]
Percent = Annotated[float | None, *_plain(units.PERCENT)]
Celsius = Annotated[float | None, *_number(units.celsius, "22.3 degC", "degC")]
CelsiusSpan = Annotated[Span | None, *_span(_CELSIUS, _celsius)]
Wires = Annotated[Literal[4, 6] | None, BeforeValidator(_wires)]
