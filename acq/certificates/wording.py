"""Numbers, units and words as a certificate prints them. Text only; nothing is computed.

Digits come from `acq.readings.units`; here its ASCII units become the signs that print allows.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime
from typing import Any

from acq.readings.units import format_bound, format_limits, format_result, format_value

_SIGNS = {
    "ohm": "Ω",
    "kohm": "kΩ",
    "Mohm": "MΩ",
    "Gohm": "GΩ",
    "mohm": "mΩ",
    "uV": "µV",
    "uA": "µA",
    "uF": "µF",
    "degC": "°C",
}
_UNIT = re.compile(rf"\b({'|'.join(_SIGNS)})\b")
_MINUS = re.compile(r"(?<![\w.])-(?=\d)")
# a number and its unit are never torn apart at the end of a line
_TOGETHER = re.compile(
    r"(?<=\d) (?=(?:[kMGmµn]?(?:Ω|V|A|F)|mV/V|V/V|°C|%|%RO|hPa|Pa|kg|N|s|min|h|K|mm)\b|%)"
)


def signs(text: str) -> str:
    """Return text with Ω, µ, ° and the minus sign in place of their ASCII spellings."""
    text = _MINUS.sub("\N{MINUS SIGN}", _UNIT.sub(lambda unit: _SIGNS[unit[1]], text))
    text = text.replace("max - min", "max\N{NO-BREAK SPACE}\N{MINUS SIGN}\N{NO-BREAK SPACE}min")
    return _TOGETHER.sub("\N{NO-BREAK SPACE}", text)


def result(finding: Mapping[str, Any]) -> dict[str, str]:
    """Return value, uncertainty, unit and coverage factor of a finding for the table."""
    if finding.get("value") is None:
        return {"value": "\N{EM DASH}", "uncertainty": "", "unit": "", "k": ""}
    value, unit, U = finding["value"], str(finding["unit"]), finding.get("expanded_uncertainty")
    if finding.get("limit_kind"):
        text = format_bound(value, finding["limit_kind"], unit)
        U = None
    elif U:
        text, spread = format_result(value, unit, U).split(" ± ")
    else:
        text = format_value(value, unit)
    number, symbol = _parts(text)
    k = finding.get("coverage_factor")
    return {
        "value": signs(number),
        "unit": signs(symbol),
        "uncertainty": signs(_parts(spread)[0]) if U else "",
        "k": f"{k:.2f}" if U and k else "",
    }


def limit(entry: Mapping[str, Any]) -> dict[str, Any]:
    """Return a limit's numbers and its source."""
    numbers = format_limits(entry.get("lower"), entry.get("upper"), str(entry["unit"]))
    return {
        "numbers": signs(numbers),
        "source": signs(str(entry.get("source", ""))),
        "decides": bool(entry.get("decides", True)),
    }


def letter(number: int) -> str:
    """Return a, b ... z, aa, ab ...: the sign of the source numbered from 0 on."""
    before, last = divmod(number, 26)
    return (letter(before - 1) if before else "") + "abcdefghijklmnopqrstuvwxyz"[last]


def quantity(text: object) -> str:
    """Return "500.0 kg" of a sheet as "500 kg"; other text as it is."""
    number, _, unit = str(text or "").partition(" ")
    try:
        return signs(f"{float(number):g} {unit}")
    except ValueError:
        return str(text or "")


def moment(when: datetime) -> str:
    """Return "2 March 2026, 08:14 UTC"."""
    return f"{day(when)}, {when.astimezone(UTC):%H:%M} UTC"


def day(when: date) -> str:
    """Return "2 March 2026" (of a moment: its day in UTC)."""
    if isinstance(when, datetime):
        when = when.astimezone(UTC).date()
    return f"{when.day} {_MONTHS[when.month - 1]} {when.year}"


def written_day(text: object) -> str:
    """Return an ISO 8601 date as people write it; other text as it is; a dash for nothing."""
    try:
        return day(date.fromisoformat(str(text)))
    except ValueError:
        return str(text) if text else "\N{EN DASH}"


def setting(key: str, value: object) -> str:
    """Return a plan's entry, such as ("dwell_s", 60.0) -> "dwell 60 s".

    The unit is read from the end of the key, as plans write it.
    """
    words = [_SPELT.get(word, word) for word in key.split("_")]
    name = " ".join(words)
    if isinstance(value, bool):
        return f"{name}: {'yes' if value else 'no'}"
    if isinstance(value, list) and all(isinstance(each, int | float) for each in value):
        unit = {"percent": " %", "hertz": " Hz", "s": " s"}.get(words[-1], "")
        name = " ".join(words[:-1]) if unit else name
        return f"{name} {', '.join(f'{each:g}' for each in value)}{unit}".strip()
    if isinstance(value, list):
        value = ", ".join(map(str, value))
    if not isinstance(value, int | float):
        return f"{name} {signs(str(value))}".strip()
    for ending, unit in _ENDINGS.items():
        if words[-1] == ending:
            name = name if ending == "share" else " ".join(words[:-1])
            return f"{name} {_number(value, unit)}".strip()
    return f"{name} {value:g}"


def ordered(table: Mapping[str, Any], first: Sequence[str]) -> list[str]:
    """Return the keys of a table: those named first in that order, then the others."""
    return [key for key in first if key in table] + [key for key in table if key not in first]


_SPELT = {"emf": "EMF"}
_MONTHS = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)
_ENDINGS = {
    "s": "s",
    "volts": "V",
    "ohms": "ohm",
    "amps": "A",
    "ratio": "V/V",
    "share": "share",
    "percent": "percent",
    "minutes": "min",
}


def _number(value: float, unit: str) -> str:
    if unit == "share":
        return signs(f"{100.0 * value:.3g} %")
    if unit in ("s", "min"):
        return signs(f"{value:g} {unit}")
    if unit == "V/V":  # stability criteria are far below the digits of a result
        return signs(f"{1e3 * value:.9f}".rstrip("0").rstrip(".") + " mV/V")
    return signs(format_value(value, unit))


def _parts(text: str) -> tuple[str, str]:
    number, _, symbol = text.rpartition(" ")
    return number, symbol
