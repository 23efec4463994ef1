"""Accuracy as manuals print it, "± (0.5 % + 2 digits)", as the figures of a bench file.

Terms are added. A share says what it is of; where a manual writes two bare ones, "0.005 % +
0.0035 %", the first is of reading and the second of range. Pure text, no I/O.
"""

from __future__ import annotations

import math
import re

from acq.readings.specification import UNITS
from drivers.by_hand import parse_typed

_COVERAGE = re.compile(r"[(,;]?\s*\bk\s*=\s*(?P<k>\d+(?:[.,]\d+)?)\s*\)?", re.IGNORECASE)
_TERM = re.compile(r"(?P<number>\d+(?:[.,]\d*)?(?:[eE][+-]?\d+)?|[.,]\d+)\s*(?P<rest>.*)")
_SHARE = re.compile(r"(?P<unit>%|percent|ppm|ppb)(?!\s*RH)\s*(?P<of>.*)", re.IGNORECASE)
_DIGITS = re.compile(r"digits?|digs?\.?|dgts?|counts?|cts?|lsd|d", re.IGNORECASE)
_OF_READING = re.compile(
    r"(of\s+)?(the\s+)?(reading|readings|rdg\.?|rd\.?|value|output|setting)", re.IGNORECASE
)
_OF_RANGE = re.compile(
    r"(of\s+)?(the\s+)?(range|rng\.?|full\s*scale|f\.?\s?s\.?|span)", re.IGNORECASE
)
_PPM = {"%": 1e4, "percent": 1e4, "ppm": 1.0, "ppb": 1e-3}
_PLUS = re.compile(r"(?<![eE])\+(?!/)")


def read_printed(text: str, quantity: str) -> dict[str, float]:
    """Return `reading_ppm`, `range_ppm`, `absolute`, `digits` and `coverage_factor` as printed.

    Only what the text says is in the result. Raises ValueError that says what is understood.
    """
    found: dict[str, float] = {}
    if coverage := _COVERAGE.search(text):
        found["coverage_factor"] = _number(coverage["k"])
        text = text[: coverage.start()] + text[coverage.end() :]
    for term in _PLUS.split(_bare(text)):
        key, value = _term(term.strip(), quantity, "reading_ppm" in found)
        if key in found:
            raise ValueError(f"{term.strip()!r}: {key} stands there twice")
        found[key] = value
    return found


def _bare(text: str) -> str:
    """Drop the sign and the brackets that do not change anything."""
    text = text.replace("\N{PLUS-MINUS SIGN}", " ").replace("+/-", " ").replace("+-", " ")
    return re.sub(r"[()\[\]]", " ", text).strip()


def _term(term: str, quantity: str, reading_is_given: bool) -> tuple[str, float]:
    match = _TERM.fullmatch(term)
    if match is None:
        raise ValueError(
            f"{term!r} is no number with %, ppm, digits or {UNITS[quantity]};"
            " such as 0.5 % of reading + 2 digits"
        )
    number, rest = _number(match["number"]), match["rest"].strip()
    if _DIGITS.fullmatch(rest):
        return "digits", number
    share = _SHARE.fullmatch(rest)
    if share is None or (UNITS[quantity] == "percent" and not share["of"]):
        return "absolute", _absolute(term, quantity)
    ppm = number * _PPM[share["unit"].lower()]
    of = share["of"].strip()
    if _OF_READING.fullmatch(of) or (not of and not reading_is_given):
        return "reading_ppm", ppm
    if _OF_RANGE.fullmatch(of) or not of:
        return "range_ppm", ppm
    raise ValueError(f"{of!r}: a share is of reading or of range")


def _absolute(term: str, quantity: str) -> float:
    unit = UNITS[quantity]
    if unit == "degC":  # a difference: kelvins are as good, and no zero is moved
        term = re.sub(r"(K|\N{DEGREE SIGN}C|C|degC)?$", "", term).strip()
    value, limit = parse_typed(term, unit)
    if value is None or limit is not None:
        raise ValueError(f"{term!r} is no number")
    return value


def _number(text: str) -> float:
    number = float(text.replace(",", "."))
    if not math.isfinite(number):
        raise ValueError(f"{text} is too large to be an accuracy")
    return number
