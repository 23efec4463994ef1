"""Conversions between units, masses and forces, outputs and loads, loop currents and weights.

pint knows the units; what it cannot know (gravity, the cell, the range of the loop) is asked for.
Nothing here is used while measuring.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from acq.analysis.chain import SignalBands, SignalState, current_for_display, displayed
from acq.cells.all_units import SPELLINGS, known_unit, measure
from acq.cells.paper_units import NUMBER, number
from acq.errors import WrongInput

if TYPE_CHECKING:
    from acq.cells.outputs import OutputLine

RATED = "%RO"


@dataclass(frozen=True, slots=True)
class Converted:
    """The result with everything it rests on."""

    value: float
    unit: str
    assumptions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Means:
    """What a person gave beside value and units. `force_factor` is N per kg."""

    force_factor: float | None = None
    force_text: str = ""
    line: OutputLine | None = None
    span: tuple[str, str] | None = None  # of a loop: text at 4 mA and at 20 mA


def convert(value: float, unit: str, to: str, means: Means) -> Converted:
    """Return the value in another unit. Raises WrongInput that says what is missing."""
    if not math.isfinite(value):
        raise WrongInput(f"a finite number is needed, got {value}")
    kinds = (_kind(unit), _kind(to))
    if kinds[0] == kinds[1] and kinds[0] != "rated":
        return Converted(_same(value, unit, to), to)
    for left, right, way in _WAYS:
        if kinds == (left, right):
            return way(value, unit, to, means)
    raise WrongInput(f"no way from {unit} ({kinds[0]}) to {to} ({kinds[1]})")


# one way for each pair of kinds


def _mass_to_force(value: float, unit: str, to: str, means: Means) -> Converted:
    factor, text = _gravity(means)
    newtons = _same(value, unit, "kg") * factor
    return Converted(_same(newtons, "N", to), to, (text,))


def _force_to_mass(value: float, unit: str, to: str, means: Means) -> Converted:
    factor, text = _gravity(means)
    kilograms = _same(value, unit, "N") / factor
    return Converted(_same(kilograms, "kg", to), to, (text,))


def _ratio_to_load(value: float, unit: str, to: str, means: Means) -> Converted:
    line = _line(means)
    part = line.part(_same(value, unit, "V/V"))
    return _from_capacity(part, line, to, means, tuple(line.assumptions()))


def _load_to_ratio(value: float, unit: str, to: str, means: Means) -> Converted:
    line = _line(means)
    load = convert(value, unit, line.capacity.unit, means)
    ratio = line.ratio(load.value / line.capacity.value)
    told = (*line.assumptions(), *load.assumptions)
    return Converted(_same(ratio, "V/V", to), to, told)


def _rated_to_ratio(value: float, unit: str, to: str, means: Means) -> Converted:  # noqa: ARG001
    line = _line(means)
    told = (f"of {line.forward * 1e3:g} mV/V, rated output of {line.cell.serial}",)
    return Converted(_same(value / 100.0 * line.forward, "V/V", to), to, told)


def _ratio_to_rated(value: float, unit: str, to: str, means: Means) -> Converted:
    line = _line(means)
    told = (f"of {line.forward * 1e3:g} mV/V, rated output of {line.cell.serial}",)
    return Converted(100.0 * _same(value, unit, "V/V") / line.forward, to, told)


def _current_to_percent(value: float, unit: str, to: str, means: Means) -> Converted:  # noqa: ARG001
    amperes = _same(value, unit, "A")
    part = displayed(amperes, 0.0, 1.0)
    return Converted(_same(part, "V/V", to), to, ("of the span, 4 to 20 mA", *_band(amperes)))


def _percent_to_current(value: float, unit: str, to: str, means: Means) -> Converted:  # noqa: ARG001
    amperes = current_for_display(_same(value, unit, "V/V"), 0.0, 1.0)
    told = ("of the span, 4 to 20 mA", *_band(amperes))
    return Converted(_same(amperes, "A", to), to, told)


def _current_to_load(value: float, unit: str, to: str, means: Means) -> Converted:
    lower, upper, told = _span(to, means)
    amperes = _same(value, unit, "A")
    return Converted(displayed(amperes, lower, upper), to, (*told, *_band(amperes)))


def _load_to_current(value: float, unit: str, to: str, means: Means) -> Converted:
    lower, upper, told = _span(unit, means)
    amperes = current_for_display(value, lower, upper)
    return Converted(_same(amperes, "A", to), to, (*told, *_band(amperes)))


_Way = Callable[[float, str, str, Means], Converted]
_WAYS: tuple[tuple[str, str, _Way], ...] = (
    ("mass", "force", _mass_to_force),
    ("force", "mass", _force_to_mass),
    ("ratio", "mass", _ratio_to_load),
    ("ratio", "force", _ratio_to_load),
    ("mass", "ratio", _load_to_ratio),
    ("force", "ratio", _load_to_ratio),
    ("rated", "ratio", _rated_to_ratio),
    ("ratio", "rated", _ratio_to_rated),
    ("current", "percent", _current_to_percent),
    ("percent", "current", _percent_to_current),
    ("current", "mass", _current_to_load),
    ("current", "force", _current_to_load),
    ("mass", "current", _load_to_current),
    ("force", "current", _load_to_current),
)


# what is missing


def _gravity(means: Means) -> tuple[float, str]:
    if means.force_factor is None:
        raise WrongInput(
            "between mass and force stands gravity: name --gravity, or --latitude and --height"
        )
    return means.force_factor, means.force_text


def _line(means: Means) -> OutputLine:
    if means.line is None:
        raise WrongInput("an output belongs to a cell: name --sheet SERIAL")
    return means.line


def _span(unit: str, means: Means) -> tuple[float, float, tuple[str, ...]]:
    if means.span is None:
        raise WrongInput("a loop current needs its range: name --lower '0 kg' --upper '1000 kg'")
    lower, upper = (_with_unit(text, unit, means) for text in means.span)
    if lower == upper:
        raise WrongInput("--lower and --upper are equal")
    return lower, upper, (f"4 mA is {means.span[0]}, 20 mA is {means.span[1]}",)


def _with_unit(text: str, unit: str, means: Means) -> float:
    match = re.fullmatch(rf"({NUMBER})\s*(.*)", text.strip())
    if match is None:
        raise WrongInput(f"a load with its unit is needed, such as '1000 kg', got {text!r}")
    return convert(number(match[1]), match[2] or unit, unit, means).value


def _from_capacity(
    part: float, line: OutputLine, to: str, means: Means, told: tuple[str, ...]
) -> Converted:
    load = convert(part * line.capacity.value, line.capacity.unit, to, means)
    return Converted(load.value, to, (*told, *load.assumptions))


def _band(amperes: float) -> tuple[str, ...]:
    """Say when a current is no measured value."""
    bands = SignalBands()
    state = bands.state(amperes)
    if state is SignalState.MEASURING:
        return ()
    return (f"{amperes * 1e3:.4g} mA is {state.value} ({bands.source})",)


# kinds of units


def _kind(unit: str) -> str:
    """Return what a unit measures: mass, force, ratio, percent, rated, current or its dimension."""
    if unit.replace(" ", "").upper() == RATED:
        return "rated"
    if SPELLINGS.get(unit, unit) == "percent":
        return "percent"
    dimension = dict(known_unit(unit).dimensionality)
    for name, powers in _DIMENSIONS.items():
        if dimension == powers:
            return name
    return str(known_unit(unit).dimensionality)


_DIMENSIONS: dict[str, dict[str, float]] = {
    "mass": {"[mass]": 1},
    "force": {"[mass]": 1, "[length]": 1, "[time]": -2},
    "current": {"[current]": 1},
    "ratio": {},
}


def _same(value: float, unit: str, to: str) -> float:
    """Convert within one dimension."""
    return float(measure(value, unit).to(known_unit(to)).magnitude)
