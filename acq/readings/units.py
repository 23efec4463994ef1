"""SI values as people write and read them: mV/V, %RO, Mohm, Gohm, with the digits that U allows.

Only text is made or read here; everything measured stays in SI floats.
"""

from __future__ import annotations

import math
import re

from acq.readings.reading import Limitation
from drivers.reply import TAKE_MEGA

# unit in SI -> (factor, what people write), smallest first
_STEPS: dict[str, tuple[tuple[float, str], ...]] = {
    "V": ((1e-6, "uV"), (1e-3, "mV"), (1.0, "V")),
    "A": ((1e-9, "nA"), (1e-6, "uA"), (1e-3, "mA"), (1.0, "A")),
    "ohm": ((1.0, "ohm"), (1e3, "kohm"), (1e6, "Mohm"), (1e9, "Gohm")),
    "V/V": ((1e-3, "mV/V"),),
    "percent": ((1.0, "%"),),
    "1": ((1e-2, "%"),),
    "Pa": ((1.0, "Pa"), (1e2, "hPa")),
    "N": ((1.0, "N"), (1e3, "kN")),
    "W": ((1e-3, "mW"), (1.0, "W")),
    "F": ((1e-12, "pF"), (1e-9, "nF"), (1e-6, "uF")),
}
# a step is used from this many of it on: 7020 ohm of a bridge reads better than 7.02 kohm,
# but an insulation reading does not
_FROM: dict[str, float] = {"kohm": 10.0}

_PREFIXES = {"p": 1e-12, "n": 1e-9, "u": 1e-6, "µ": 1e-6, "m": 1e-3, "": 1.0}
_PREFIXES |= {"k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9, "T": 1e12}
_SPELLINGS = {
    "ohm": ("ohm", "ohms", "Ohm", "Ohms", "Ω", "Ω", "R"),
    "V/V": ("V/V",),
    "degC": ("degC", "°C", "C"),
    "percent": ("percent", "%", "%RH"),
}
_OPEN = {"open", "ol", "o.l", "o.l.", "overload", "over-range", "ovld"}
_NUMBER = re.compile(r"([<>]?)\s*([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?)\s*(.*)")


def step(unit: str, magnitude: float) -> tuple[float, str]:
    """Return (factor, symbol): the step of `unit` in which a value of this size is written."""
    steps = _STEPS.get(unit, ((1.0, unit),))
    chosen = steps[0]
    for factor, symbol in steps[1:]:
        if abs(magnitude) >= factor * _FROM.get(symbol, 1.0) * (1.0 - 1e-12):
            chosen = factor, symbol
    # zero has no size of its own: it is written in the unit's own step
    if magnitude == 0.0:
        return next((each for each in steps if each[0] == 1.0), steps[0])
    return chosen


def format_value(value: float, unit: str, U: float | None = None) -> str:
    """Return "385.13 ohm": as many digits as two significant digits of U allow, else six."""
    factor, symbol = step(unit, max(abs(value), U or 0.0))
    return f"{_digits(value / factor, (U or 0.0) / factor)} {symbol}".rstrip()


def format_result(value: float, unit: str, U: float) -> str:
    """Return "385.130 ohm ± 0.050 ohm"; U has two significant digits (GUM 7.2.6)."""
    factor, symbol = step(unit, max(abs(value), U))
    number = _digits(value / factor, U / factor)
    spread = _digits(U / factor, U / factor)
    return f"{number} {symbol} ± {spread} {symbol}"


def format_bound(value: float, kind: Limitation, unit: str) -> str:
    """Return "> 20 Gohm"."""
    return f"{'>' if kind == 'above' else '<'} {format_value(value, unit)}"


def format_limits(lower: float | None, upper: float | None, unit: str) -> str:
    """Return "373 ohm to 397 ohm", "at least 5 Gohm", "at most 0.02 mV/V" or "no limit"."""
    if lower is not None and upper is not None:
        return f"{format_value(lower, unit)} to {format_value(upper, unit)}"
    if lower is not None:
        return f"at least {format_value(lower, unit)}"
    if upper is not None:
        return f"at most {format_value(upper, unit)}"
    return "no limit"


def millivolts_per_volt(ratio: float) -> float:
    """Return a ratio in V/V as mV/V."""
    return ratio * 1e3


def percent_of_rated_output(ratio: float, rated_output: float) -> float:
    """Return a ratio (V/V) in % of the rated output (V/V), the trade's %RO."""
    return 100.0 * ratio / rated_output


def read_value(text: str, unit: str) -> tuple[float | None, Limitation | None]:
    """Return (SI value, limit) of what a person typed: "385.1", ">20 Gohm", "1.2 mV/V", "open".

    Raises ValueError that says what is allowed.
    """
    cleaned = text.strip()
    if cleaned.lower() in _OPEN:
        return None, "above"
    match = _NUMBER.fullmatch(cleaned)
    if match is None:
        raise ValueError(f"a number, >number or open is needed, got {text!r}")
    sign, number, suffix = match.groups()
    value = float(number.replace(",", ".")) * _factor(suffix.strip(), unit)
    if not math.isfinite(value):
        raise ValueError(f"a number within reason is needed, got {text!r}")
    limit: Limitation | None = {">": "above", "<": "below"}.get(sign)  # type: ignore[assignment]
    return value, limit


def _factor(suffix: str, unit: str) -> float:
    if not suffix:
        return 1.0
    for spelling in (*_SPELLINGS.get(unit, (unit,)), ""):
        prefix = suffix.removesuffix(spelling).strip()
        if suffix.endswith(spelling) and prefix in _PREFIXES and (spelling or prefix):
            if prefix == "M" and unit not in TAKE_MEGA:
                raise ValueError(f"M{unit} may be milli or mega: write m{unit}, or no prefix")
            return _PREFIXES[prefix]
    raise ValueError(f"the unit must be {unit} with or without a prefix, got {suffix!r}")


def _digits(value: float, U: float) -> str:
    if not U > 0.0 or not math.isfinite(U):
        return f"{value:.6g}"
    decimals = _decimals(U)
    return f"{round(value, decimals) + 0.0:.{max(0, decimals)}f}"


def _decimals(U: float) -> int:
    """Return the decimal place of the second significant digit of U after rounding."""
    rounded = float(f"{U:.1e}")
    return 1 - math.floor(math.log10(rounded) + 1e-9)
