"""A role that is a person: the display is read by eye, typed, understood or asked for again.

The parser is pure. Whoever prompts is a callable, so that terminal, page and tests are the same
here. Everything that was typed is kept: a correction replaces a value, never its history.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass

from drivers.reply import PREFIXES, TAKE_MEGA, UNITS
from drivers.scpi import NUMBER_PATTERN, parse_number
from drivers.time import Time
from drivers.values import Bound, Value

_TYPED = re.compile(
    rf"(?P<limit>[<>])?\s*(?P<number>{NUMBER_PATTERN})\s*(?P<rest>[^\d\s.,+-][^\d]*?)?\s*"
)
_COMMA = re.compile(r"[+-]?\d+,\d+([eE][+-]?\d+)?")
_ABOVE = frozenset(
    {"open", "ol", "o.l", "over", "overload", "ovld", "over range", "overrange", "inf"}
)
_NOTHING = frozenset({"", "-", "--", "---", "none", "nothing"})
_SIGNS = str.maketrans(
    {"\N{GREEK CAPITAL LETTER OMEGA}": "ohm", "\N{OHM SIGN}": "ohm", "\N{MINUS SIGN}": "-",
     "\N{GREEK SMALL LETTER MU}": "u", "\N{MICRO SIGN}": "u", "\N{GREATER-THAN OR EQUAL TO}": ">",
     "\N{LESS-THAN OR EQUAL TO}": "<", "\N{NO-BREAK SPACE}": " "}
)  # fmt: skip
_MOST_ATTEMPTS = 10
_EXPONENT_DIGITS = 3
_SHOWN = 20
_WITHOUT_PREFIX = ("degC", "percent")


class NotUnderstoodError(ValueError):
    """What was typed is no reading of this quantity; the text says what would be."""


@dataclass(frozen=True, slots=True)
class HandPrompt:
    """What a person is asked. `problem` says why it is asked again, empty the first time."""

    role: str
    quantity: str
    unit: str
    text: str
    problem: str = ""


@dataclass(frozen=True, slots=True)
class Typed:
    """A reading by hand: its value, and everything that was typed for it, oldest first.

    `last_digit` is the size of the last digit that was typed, in the SI unit: nobody knows what
    the display would have shown after it. None where no number was typed.
    """

    value: Value
    typed: tuple[str, ...]
    last_digit: float | None = None

    @property
    def was_corrected(self) -> bool:
        return len(set(self.typed)) > 1


def parse_typed(text: str, unit: str, shown: str = "") -> tuple[float | None, Bound | None]:
    """Return (value in the SI unit, limit) of a typed reading.

    `shown` is the unit that the person was asked for, such as `Gohm` or `mV`: it holds for a bare
    number; a prefix or unit that was typed wins. `>20 G` is a limit, `open` and `OL` are
    above with no number. Raises NotUnderstoodError.
    """
    if _plain(text).lower() in _ABOVE:
        return None, "above"
    match = _match(text)
    number = parse_number(match["number"])
    factor, offset = _to_si((match["rest"] or shown).strip(), unit)
    limits: dict[str | None, Bound | None] = {">": "above", "<": "below", None: None}
    return number * factor + offset, limits[match["limit"]]


def last_digit(text: str, unit: str, shown: str = "") -> float | None:
    """Return the size of the last digit of a typed reading in the SI unit; None for no number.

    Raises NotUnderstoodError for what `parse_typed` does not understand either.
    """
    if _plain(text).lower() in _ABOVE:
        return None
    match = _match(text)
    mantissa, _, exponent = match["number"].lower().partition("e")
    decimals = len(mantissa.partition(".")[2])
    factor, _ = _to_si((match["rest"] or shown).strip(), unit)
    return float(f"1e{int(exponent or 0) - decimals}") * factor


def _plain(text: str) -> str:
    return " ".join(text.translate(_SIGNS).split())


def _match(text: str) -> re.Match[str]:
    """Return number, limit sign and unit of a typed reading. Raises NotUnderstoodError."""
    if _plain(text).lower() in _NOTHING:
        raise NotUnderstoodError("a number is needed, or 'open' when it shows over range")
    match = _TYPED.fullmatch(_with_point(_plain(text)))
    if match is None:
        raise NotUnderstoodError(f"{text!r} is no number with an optional unit")
    number = match["number"]
    exponent = number.lower().partition("e")[2].lstrip("+-0")
    huge = len(exponent) > _EXPONENT_DIGITS or float(f"1e{exponent or 0}") == math.inf
    if huge or not math.isfinite(parse_number(number)):
        raise NotUnderstoodError(f"{_short(number)} is out of all reason")
    return match


def _short(text: str) -> str:
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]}..."


def _with_point(text: str) -> str:
    """Take a decimal comma for a point, unless it could be a thousands mark."""
    found = re.search(r"\d+(,\d+)+", text)
    if found is None:
        return text
    whole = found[0]
    if whole.count(",") > 1 or re.fullmatch(r"[1-9]\d{0,2},\d{3}", whole):
        raise NotUnderstoodError(f"{whole}: decimal point or thousands? type it with a point")
    return text.replace(",", ".")


def _to_si(text: str, unit: str) -> tuple[float, float]:
    """Return factor and offset of a typed unit, prefix, or both, to the SI unit `unit`."""
    if not text:
        return 1.0, 0.0
    own = _unit(text)
    if own is not None and own[0] == unit:  # first: K is kelvin where degrees are asked for
        return own[1], own[2]
    if text in PREFIXES:
        return _prefix(text, unit), 0.0
    for prefix in ("", text[0]):
        known = _unit(text[len(prefix) :])
        if known is not None and prefix in PREFIXES:
            if known[0] != unit:
                raise NotUnderstoodError(f"{text}: {unit} is expected here")
            return _prefix(prefix, unit) * known[1], known[2]
    raise NotUnderstoodError(f"{text}: no unit that is known here; {unit} is expected")


def _prefix(prefix: str, unit: str) -> float:
    if prefix and unit in _WITHOUT_PREFIX:
        raise NotUnderstoodError(f"{prefix}: there is no prefix to {unit}")
    if prefix == "M" and unit not in TAKE_MEGA:
        raise NotUnderstoodError(f"M{unit} may be milli or mega: type m{unit}, or without a prefix")
    return PREFIXES[prefix]


def _unit(text: str) -> tuple[str, float, float] | None:
    if text in ("ohm", "degC", "percent", "Pa"):
        return text, 1.0, 0.0
    return UNITS.get(text.upper())


class ByHand:
    """One instrument without a remote, read by a person."""

    def __init__(self, role: str, ask: Callable[[HandPrompt], str], time: Time) -> None:
        """`ask` shows the prompt and returns what was typed; it may raise to stop the run."""
        self.role = role
        self._ask = ask
        self._time = time

    def read(
        self,
        quantity: str,
        unit: str,
        *,
        shown: str = "",
        range_: float | None = None,
        plausible: tuple[float, float] | None = None,
        text: str = "",
    ) -> Typed:
        """Return one reading in the SI unit `unit`.

        What is not understood is asked again with the reason. What lies outside `plausible` (SI,
        both ends included) must be typed twice alike before it is believed. Raises
        NotUnderstoodError after ten attempts.
        """
        started_ns = self._time.now_ns()
        wanted = text or f"read {quantity} from the {self.role}, in {shown or unit}"
        typed: list[str] = []
        problem = ""
        while len(typed) < _MOST_ATTEMPTS:
            typed.append(self._ask(HandPrompt(self.role, quantity, unit, wanted, problem)).strip())
            try:
                value, limit = parse_typed(typed[-1], unit, shown)
            except NotUnderstoodError as error:
                problem = str(error)
                continue
            problem = _implausible(value, limit, plausible, unit)
            if not problem or typed[-2:-1] == typed[-1:]:
                ended_ns = self._time.now_ns()
                found = Value(quantity, value, limit, unit, range_, typed[-1], started_ns, ended_ns)
                return Typed(found, tuple(typed), last_digit(typed[-1], unit, shown))
        raise NotUnderstoodError(f"{quantity}: not understood after {_MOST_ATTEMPTS} attempts")


def _implausible(
    value: float | None, limit: Bound | None, plausible: tuple[float, float] | None, unit: str
) -> str:
    """Return why a value is hard to believe, or nothing."""
    if plausible is None or value is None:
        return ""
    low, high = plausible
    too_low = value < low and limit != "above"
    too_high = value > high and limit != "below"
    if not (too_low or too_high):
        return ""
    return (
        f"{value:g} {unit} is not between {low:g} and {high:g}:"
        " look at the unit, correct it, or type it once more as it is"
    )
