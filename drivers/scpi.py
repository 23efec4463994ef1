"""Numbers, special numbers, error entries and identification of SCPI-1999. No I/O.

Nothing here guesses: a number matches a full pattern before `float` sees it, because plain
`float` also accepts `nan`, `inf` and `1_000`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

NUMBER_PATTERN = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
ERROR_PATTERN = r'(?P<code>[+-]?[0-9]+)(?:\s*,\s*"?(?P<text>.*?)"?)?'

# SCPI-1999, volume 1, 7.2.1.4 and 7.2.1.5: 9.9E37 is infinity, 9.91E37 not a number. Some
# instruments send the latter for over-range, so anything from 9E37 up is "no value here".
INFINITY = 9.9e37
NOT_A_NUMBER = 9.91e37
NO_VALUE_FROM = 9.0e37

# Plain `strip` also takes 85h and A0h for blanks: damaged digits look like that.
BLANKS = " \t\r\n\v\f"

_NUMBER = re.compile(NUMBER_PATTERN)


@dataclass(frozen=True, slots=True)
class ErrorEntry:
    """One entry of an instrument's error queue; code 0 is "none"."""

    code: int
    text: str

    def __str__(self) -> str:
        return f"{self.code} {self.text}".strip()


def parse_number(text: str) -> float:
    """Return an NR1, NR2 or NR3 text as a float; raises ValueError for anything else."""
    stripped = text.strip(BLANKS)
    if not _NUMBER.fullmatch(stripped):
        raise ValueError(f"{text!r} is not a number")
    return float(stripped)


def special_number(value: float) -> str | None:
    """Return "above", "below" or "not a number" for SCPI's special numbers, else None."""
    if abs(value) < NO_VALUE_FROM:
        return None
    if abs(value) == NOT_A_NUMBER:
        return "not a number"
    return "above" if value > 0 else "below"


def plain_decimal(value: float, significant: int = 9) -> str:
    """Return `value` as digits and a point, no exponent: the form every parser understands."""
    mantissa, _, exponent = f"{value:.{significant - 1}e}".partition("e")
    sign = "-" if mantissa.startswith("-") else ""
    digits = mantissa.lstrip("-").replace(".", "")
    point = 1 + int(exponent)
    if point <= 0:
        digits, point = "0" * (1 - point) + digits, 1
    digits = digits.ljust(point, "0")
    text = f"{digits[:point]}.{digits[point:]}".rstrip("0").rstrip(".")
    return sign + text if text != "0" else "0"


def identification_fields(line: str) -> tuple[str, ...]:
    """Return the comma fields of an identification without padding and quotes: one to many."""
    return tuple(field.strip(BLANKS + "\"'") for field in line.split(","))
