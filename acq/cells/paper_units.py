"""What papers say, as SI: "385 ohm", "20 mV at 10 V", "0.014 %RO/10 K", "1000 lb", "72 degF".

Sheets keep the text as it was typed; a number without a unit is refused, because 2.0 may be mV/V or
V/V and nobody would notice. Factors are exact (NIST SP 811, Appendix B).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

POUND = 0.45359237
STANDARD_GRAVITY = 9.80665


@dataclass(frozen=True, slots=True)
class Dimension:
    """What a field measures: its SI unit and the factors of the units that papers use."""

    si: str
    units: Mapping[str, float]
    example: str

    @property
    def allowed(self) -> str:
        """The units, for people."""
        return ", ".join(self.units)


OHMS = Dimension(
    "ohm", {"ohm": 1.0, "kohm": 1e3, "Mohm": 1e6, "Gohm": 1e9, "Tohm": 1e12}, "385 ohm"
)
VOLTS = Dimension("V", {"V": 1.0, "mV": 1e-3, "uV": 1e-6, "kV": 1e3}, "10 V")
AMPERES = Dimension("A", {"A": 1.0, "mA": 1e-3, "uA": 1e-6}, "100 mA")
WATTS = Dimension("W", {"W": 1.0, "mW": 1e-3}, "0.8 W")
RATIO = Dimension("V/V", {"mV/V": 1e-3, "uV/V": 1e-6, "V/V": 1.0}, "2 mV/V")
FRACTION = Dimension("1", {"%": 1e-2, "%RO": 1e-2, "%FS": 1e-2, "ppm": 1e-6, "1": 1.0}, "0.02 %")
METRES = Dimension("m", {"m": 1.0, "mm": 1e-3, "cm": 1e-2, "ft": 0.3048, "in": 0.0254}, "5 m")
AREA = Dimension("mm2", {"mm2": 1.0}, "0.25 mm2")
OHMS_PER_METRE = Dimension("ohm/m", {"ohm/m": 1.0, "ohm/km": 1e-3}, "0.07 ohm/m")
HERTZ = Dimension("Hz", {"Hz": 1.0, "kHz": 1e3}, "800 Hz")
NEWTON_METRES = Dimension("N m", {"N m": 1.0, "Nm": 1.0, "N*m": 1.0}, "70 N m")
GRAVITY = Dimension("m/s2", {"m/s2": 1.0}, "9.8118 m/s2")
PERCENT = Dimension("percent", {"percent": 1.0, "%": 1.0, "%RH": 1.0, "% RH": 1.0}, "44 %")
MASS = Dimension(
    "kg",
    {"kg": 1.0, "g": 1e-3, "t": 1e3, "lb": POUND, "lbs": POUND, "klb": 1e3 * POUND}
    | {"oz": POUND / 16.0, "short ton": 2000.0 * POUND, "long ton": 2240.0 * POUND},
    "500 kg",
)
FORCE = Dimension(
    "N",
    {"N": 1.0, "kN": 1e3, "MN": 1e6, "daN": 10.0, "kgf": STANDARD_GRAVITY}
    | {"tf": 1e3 * STANDARD_GRAVITY, "lbf": POUND * STANDARD_GRAVITY}
    | {"kip": 1e3 * POUND * STANDARD_GRAVITY},
    "5 kN",
)

NUMBER = r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?"
_QUANTITY = re.compile(rf"({NUMBER})\s*(.*)")
_AT_VOLTAGE = re.compile(rf"({NUMBER}\s*[muµk]?V)\s*(?:at|@)\s*({NUMBER}\s*V)")
_PER_KELVIN = re.compile(rf"({NUMBER}\s*[^/]*?)\s*(?:/|per)\s*({NUMBER}|)\s*(K|degC|C|degF|F)")


def of_output(rated_output: float | None) -> Dimension:
    """Return the dimension of a ratio that papers also give in % of the rated output (V/V)."""
    if rated_output is None:
        return RATIO
    share = abs(rated_output) / 100.0
    units = dict(RATIO.units) | {"%RO": share, "%FS": share, "%": share}
    return Dimension("V/V", units, "1 %RO or 0.02 mV/V")


def tidy(text: str) -> str:
    """Return the text with one spelling for each sign: ohm, deg, +-, u, plain spaces and minus."""
    for odd, plain in (
        ("Ω", "ohm"),
        ("Ω", "ohm"),
        ("µ", "u"),
        ("μ", "u"),
        ("°", "deg"),
        ("±", "+-"),
        ("+/-", "+-"),
        ("−", "-"),
        ("…", ".."),
        ("...", ".."),
        ("≥", ">="),
        ("≤", "<="),
        ("²", "2"),
        ("\N{NO-BREAK SPACE}", " "),
        ("\N{THIN SPACE}", " "),
    ):
        text = text.replace(odd, plain)
    text = re.sub(r"%\s*(?:of\s+)?(RO|FS|RH)\b", r"%\1", text, flags=re.IGNORECASE)
    return " ".join(text.split())


def number(text: str) -> float:
    """Return a plain number, with a point or a comma before the decimals."""
    if not re.fullmatch(NUMBER, text):
        raise ValueError(f"a number is needed, got {text!r}")
    return float(text.replace(",", "."))


def quantity(text: str, dimension: Dimension) -> float:
    """Return the SI value of "385 ohm". Raises ValueError that names the allowed units."""
    match = _QUANTITY.fullmatch(tidy(text))
    if match is None:
        raise ValueError(
            f"a number with a unit is needed, such as {dimension.example!r}, got {text!r}"
        )
    return number(match[1]) * factor(match[2], dimension)


def factor(unit: str, dimension: Dimension) -> float:
    """Return what one of this unit is in SI; spelling in upper or lower case where unambiguous."""
    found = dimension.units.get(unit)
    if found is None:
        lowered = {name.lower(): value for name, value in dimension.units.items()}
        # Mohm and mohm, MN and mN differ by their case alone
        if unit and unit[0] not in "mM":
            found = lowered.get(unit.lower())
    if found is None:
        what = f"unit {unit!r}" if unit else "a number without a unit"
        raise ValueError(f"{what}: allowed are {dimension.allowed}, such as {dimension.example!r}")
    return found


def ratio(text: str) -> float:
    """Return V/V of "2.0011 mV/V" or "20.011 mV at 10 V"."""
    match = _AT_VOLTAGE.fullmatch(tidy(text))
    if match is None:
        return quantity(text, RATIO)
    volts = quantity(match[2], VOLTS)
    if volts <= 0.0:
        raise ValueError(f"the excitation must be above zero, got {text!r}")
    return quantity(match[1], VOLTS) / volts


def per_kelvin(text: str) -> float:
    """Return the fraction per kelvin of "0.014 %RO/10 K", "0.0014 %/K" or "14 ppm per 10 degC".

    The step of temperature is demanded: an effect per 10 K taken as per K is ten times too large.
    """
    match = _PER_KELVIN.fullmatch(tidy(text))
    if match is None:
        raise ValueError(
            f"an effect of temperature needs its step, such as '0.014 %RO/10 K', got {text!r}"
        )
    step = number(match[2]) if match[2] else 1.0
    if step <= 0.0:
        raise ValueError(f"the step of temperature must be above zero, got {text!r}")
    kelvins = step * (5.0 / 9.0 if match[3] in ("degF", "F") else 1.0)
    return quantity(match[1], FRACTION) / kelvins


def celsius(text: str) -> float:
    """Return degC of "22.3 degC" or "72 degF"."""
    match = _QUANTITY.fullmatch(tidy(text))
    if match is not None and match[2] in ("degC", "C"):
        return number(match[1])
    if match is not None and match[2] in ("degF", "F"):
        return (number(match[1]) - 32.0) / 1.8
    raise ValueError(f"a temperature is needed, such as '22.3 degC', got {text!r}")
