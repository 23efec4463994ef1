"""Replies by full-match patterns with named groups. No I/O.

A reply that does not match in full is an error, never a number. Groups that mean something:
`value`, `prefix`, `unit`, `limit` (`>` or `<`), `status`, and the markers `above`, `below`, `none`,
`on`, `off`; `exponent` (a power of ten in a field of its own) and `scale` (what one count is worth
stands in the table `scales`). Any other group is a field of its own, which a read-back compares
with what was set.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from drivers.pattern_samples import divided_number
from drivers.scpi import BLANKS, NUMBER_PATTERN, parse_number, special_number
from drivers.values import Bound
from drivers.written_file import Written

# Ready pieces for patterns.
PIECES = {"number": NUMBER_PATTERN, "prefix": "[pnu\xb5mkKMGT]?"}

# Texts of units -> SI unit, factor, offset. M in front of a unit is mega only before ohm:
# SCPI-1999 volume 1, 7.2: MOHM is megohm while MV is millivolt, and others write it the other way.
UNITS: Mapping[str, tuple[str, float, float]] = {
    "V": ("V", 1.0, 0.0),
    "VDC": ("V", 1.0, 0.0),
    "VAC": ("V", 1.0, 0.0),
    "A": ("A", 1.0, 0.0),
    "ADC": ("A", 1.0, 0.0),
    "OHM": ("ohm", 1.0, 0.0),
    "OHMS": ("ohm", 1.0, 0.0),
    "V/V": ("V/V", 1.0, 0.0),
    "C": ("degC", 1.0, 0.0),
    "DEGC": ("degC", 1.0, 0.0),
    "CEL": ("degC", 1.0, 0.0),
    "\xb0C": ("degC", 1.0, 0.0),
    "F": ("degC", 5.0 / 9.0, -160.0 / 9.0),
    "DEGF": ("degC", 5.0 / 9.0, -160.0 / 9.0),
    "\xb0F": ("degC", 5.0 / 9.0, -160.0 / 9.0),
    "K": ("degC", 1.0, -273.15),
    "%": ("percent", 1.0, 0.0),
    "%RH": ("percent", 1.0, 0.0),
    "PCT": ("percent", 1.0, 0.0),
    "PA": ("Pa", 1.0, 0.0),
    "BAR": ("Pa", 1e5, 0.0),
    "W": ("W", 1.0, 0.0),
    "HZ": ("Hz", 1.0, 0.0),
    "S": ("s", 1.0, 0.0),
    "KG": ("kg", 1.0, 0.0),
    "N": ("N", 1.0, 0.0),
}
TAKE_MEGA = ("ohm", "Pa")  # in front of anything else M may as well be milli
PREFIXES: Mapping[str, float] = {
    "": 1.0, "p": 1e-12, "n": 1e-9, "u": 1e-6, "\xb5": 1e-6, "m": 1e-3, "h": 1e2,
    "k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9, "T": 1e12,
}  # fmt: skip

# Groups of a reading that mean something by themselves.
MEANINGS = frozenset(
    {"value", "prefix", "unit", "limit", "status", "above", "below", "none", "exponent", "scale"}
)
_LARGEST_EXPONENT = 30

Meaning = Literal["above", "below", "none"]


class NotThisReplyError(ValueError):
    """The reply does not match, or says something that the dialect does not know."""


class NoValueYetError(ValueError):
    """The reply is well-formed and says that there is no value."""


@dataclass(frozen=True, slots=True)
class Parsed:
    """One reply read by one pattern: value and limit in the SI unit, all groups that took part."""

    value: float | None
    limit: Bound | None
    fields: Mapping[str, str]

    def number(self, name: str) -> float:
        """Return a field as a number; raises NotThisReplyError when it is absent or none."""
        try:
            return parse_number(self.fields[name])
        except (KeyError, ValueError) as error:
            raise NotThisReplyError(f"no number {name!r} in the reply") from error


class Sentinel(Written):
    """A number that stands for something else, such as 9999."""

    value: float
    means: Meaning


class ReplyShape(Written):
    """What a whole reply looks like, and what its parts mean (see the README for each key)."""

    pattern: str
    lines: int = 1
    blanks: bool = False
    unit: str | None = None
    scale: float = 1.0
    scales: dict[str, float] = Field(default={})
    decimal: Literal[".", ","] = "."
    sentinels: tuple[Sentinel, ...] = ()
    status: dict[str, Literal["good", "above", "below", "none", "bad"]] = Field(default={})
    prefixes: dict[str, float] = Field(default={})
    units: dict[str, str] = Field(default={})
    special_numbers: bool = True

    @model_validator(mode="after")
    def _compiles(self) -> ReplyShape:
        try:
            expression = self.expression
        except re.error as error:
            raise ValueError(f"pattern {self.pattern!r}: {error}") from None
        if expression.fullmatch(""):
            raise ValueError(f"pattern {self.pattern!r} matches an empty reply")
        if "status" in expression.groupindex and not self.status:
            raise ValueError(
                "the pattern has a group 'status', so [status] must say what each means"
            )
        if ("scale" in expression.groupindex) != bool(self.scales):
            raise ValueError("a group 'scale' and the table scales belong together")
        if not 1 <= self.lines <= 100:
            raise ValueError("lines: 1 to 100")
        if found := divided_number(expression, self._is_read):
            text, group, taken = found
            raise ValueError(
                f"pattern {self.pattern!r} divides a number: of {text!r} it takes {taken!r} for"
                f" {group!r}; what stands beside a number must not fit digits or signs"
            )
        return self

    @cached_property
    def expression(self) -> re.Pattern[str]:
        pieces = dict(PIECES)
        if self.decimal == ",":
            pieces["number"] = pieces["number"].replace(r"\.", ",")
        pattern = self.pattern
        for name, piece in pieces.items():
            pattern = pattern.replace("{" + name + "}", f"(?:{piece})")
        return re.compile(pattern, re.ASCII | (re.DOTALL if self.lines > 1 else 0))

    @property
    def groups(self) -> frozenset[str]:
        """Return the names of the groups in the pattern."""
        return frozenset(self.expression.groupindex)

    def match(self, text: str) -> dict[str, str]:
        """Return the groups that took part; raises NotThisReplyError."""
        found = self.expression.fullmatch(text if self.blanks else text.strip(BLANKS))
        if found is None:
            raise NotThisReplyError(f"{text!r} does not match {self.pattern!r}")
        return {name: part for name, part in found.groupdict().items() if part is not None}

    def parse(self, text: str, unit: str | None = None) -> Parsed:
        """Return value, limit and fields; `unit` is the SI unit that the quantity has.

        Raises NotThisReplyError, or NoValueYetError when the reply says "no value".
        """
        groups = self.match(text)
        status = self._status(groups)
        if status == "none" or "none" in groups:
            raise NoValueYetError(f"{text!r} says that there is no value")
        for side in ("above", "below"):
            if side in groups or status == side:
                return Parsed(None, _bound(side), groups)
        if "value" not in groups:
            return Parsed(None, None, groups)
        return self._number(text, groups, unit)

    def _is_read(self, text: str) -> bool:
        """Whether a text is taken for a reading, whatever it says."""
        try:
            self.parse(text)
        except (NotThisReplyError, NoValueYetError):
            return False
        return True

    def _status(self, groups: Mapping[str, str]) -> str:
        if "status" not in groups:
            return "good"
        meaning = self.status.get(groups["status"])
        if meaning is None or meaning == "bad":
            raise NotThisReplyError(
                f"status {groups['status']!r} does not stand for a good reading"
            )
        return meaning

    def _number(self, text: str, groups: Mapping[str, str], unit: str | None) -> Parsed:
        try:
            number = parse_number(groups["value"].replace(self.decimal, "."))
        except ValueError as error:
            raise NotThisReplyError(str(error)) from error
        meaning = self._meaning(number)
        if meaning == "none":
            raise NoValueYetError(f"{text!r} says that there is no value")
        if meaning is not None:
            return Parsed(None, _bound(meaning), groups)
        factor, offset = self._to_si(groups, unit)
        factor *= self._power(groups) * self._count(groups)
        value = number * factor + offset
        if not math.isfinite(value):
            raise NotThisReplyError(f"{text!r} is no finite number")
        return Parsed(value, _sign(groups.get("limit", "")), groups)

    def _meaning(self, number: float) -> Meaning | None:
        for sentinel in self.sentinels:
            if math.isclose(number, sentinel.value, rel_tol=1e-9, abs_tol=1e-12):
                return sentinel.means
        special = special_number(number) if self.special_numbers else None
        if special == "not a number":
            return "none"
        return "below" if special == "below" else "above" if special == "above" else None

    def _to_si(self, groups: Mapping[str, str], wanted: str | None) -> tuple[float, float]:
        """Return factor and offset from the reply's number to the SI unit."""
        text = groups.get("unit", self.unit or "")
        prefix, (unit, factor, offset) = self._unit(text, groups.get("prefix"))
        if wanted is not None and unit and unit != wanted:
            raise NotThisReplyError(f"unit {text!r} where {wanted} is expected: another function?")
        return self.scale * self._prefix(prefix, unit or wanted or "") * factor, offset

    def _power(self, groups: Mapping[str, str]) -> float:
        """Return ten to the group `exponent`: some replies give it apart from the mantissa."""
        try:
            exponent = int(groups.get("exponent", "0"))
        except ValueError:
            raise NotThisReplyError(f"exponent {groups['exponent']!r} is no number") from None
        if abs(exponent) > _LARGEST_EXPONENT:
            raise NotThisReplyError(f"exponent {exponent} is out of all reason")
        return float(f"1e{exponent}")

    def _count(self, groups: Mapping[str, str]) -> float:
        """Return what one count is worth: of packed digits the range, said beside them, tells."""
        if "scale" not in groups:
            return 1.0
        if groups["scale"] not in self.scales:
            raise NotThisReplyError(f"scale {groups['scale']!r} is not in the table scales")
        return self.scales[groups["scale"]]

    def _unit(self, text: str, prefix: str | None) -> tuple[str, tuple[str, float, float]]:
        if not text:
            return prefix or "", ("", 1.0, 0.0)
        if (known := self._known_unit(text)) is not None:
            return prefix or "", known
        if prefix is None and (known := self._known_unit(text[1:])) is not None:
            return text[0], known
        raise NotThisReplyError(f"unit {text!r} is not known")

    def _known_unit(self, text: str) -> tuple[str, float, float] | None:
        known = self.units.get(text, text)
        if known in ("ohm", "degC", "percent", "Pa"):
            return known, 1.0, 0.0
        return UNITS.get(known.upper())

    def _prefix(self, prefix: str, unit: str) -> float:
        if prefix in self.prefixes:
            return self.prefixes[prefix]
        if prefix not in PREFIXES:
            raise NotThisReplyError(f"prefix {prefix!r} is not known")
        if prefix == "M" and unit not in (*TAKE_MEGA, ""):
            raise NotThisReplyError(f"M{unit} may be milli or mega: say which under prefixes")
        return PREFIXES[prefix]


def _sign(sign: str) -> Bound | None:
    return {">": _bound("above"), "<": _bound("below")}.get(sign)


def _bound(side: str) -> Bound:
    return "above" if side == "above" else "below"


def _from_text(given: object) -> object:
    """Let a file say a reply by its pattern alone."""
    return {"pattern": given} if isinstance(given, str) else given


Reply = Annotated[ReplyShape, BeforeValidator(_from_text)]
