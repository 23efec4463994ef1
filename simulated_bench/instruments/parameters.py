"""What a command of a simulated SCPI instrument accepts as parameters, and its refusals.

The numbers of the refusals are those of SCPI-1999 volume 2, section 21.8.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from simulated_bench.scpi import Expression, Number, Parameter, ScpiError, Text, Word
from simulated_bench.scpi_headers import spells

SUFFIXES: dict[str, dict[str, float]] = {
    "": {},
    "V": {"V": 1.0, "KV": 1e3, "MV": 1e-3, "UV": 1e-6},
    "A": {"A": 1.0, "MA": 1e-3, "UA": 1e-6, "NA": 1e-9},
    "OHM": {"OHM": 1.0, "KOHM": 1e3, "MOHM": 1e6, "GOHM": 1e9},
    "S": {"S": 1.0, "MS": 1e-3, "US": 1e-6, "NS": 1e-9},
}
"""SCPI-1999 volume 1, section 7.1: MOHM is mega, MV is milli."""


@dataclass(frozen=True, slots=True)
class Numeric:
    """A number with limits and with words that stand for one (MINimum, MAXimum, DEFault)."""

    low: float
    high: float
    default: float
    unit: str = ""
    words: dict[str, float] = field(default_factory=dict)

    def read(self, given: Parameter) -> float:
        """Return the value in base units; raises ScpiError."""
        if isinstance(given, Word):
            return self.named(given.text)
        if not isinstance(given, Number):
            raise ScpiError(-104)
        value = given.value * self._scale(given.suffix)
        if not self.low <= value <= self.high:
            raise ScpiError(-222)
        return value

    def named(self, word: str) -> float:
        """Return what a word stands for; raises ScpiError -224."""
        named = {"MINimum": self.low, "MAXimum": self.high, "DEFault": self.default}
        for name, value in {**named, **self.words}.items():
            if spells(word, name):
                return value
        raise ScpiError(-224)

    def _scale(self, suffix: str) -> float:
        if not suffix:
            return 1.0
        known = SUFFIXES[self.unit]
        if not known:
            raise ScpiError(-138)
        if suffix not in known:
            raise ScpiError(-131)
        return known[suffix]


@dataclass(frozen=True, slots=True)
class Boolean:
    """ON, OFF or a number (SCPI-1999 volume 1, 7.3: rounded, other than 0 is ON)."""

    def read(self, given: Parameter) -> bool:
        """Return the switch; raises ScpiError."""
        if isinstance(given, Number):
            if given.suffix:
                raise ScpiError(-138)
            return bool(math.floor(given.value + 0.5)) if math.isfinite(given.value) else True
        if not isinstance(given, Word):
            raise ScpiError(-104)
        if given.text.upper() not in ("ON", "OFF"):
            raise ScpiError(-224)
        return given.text.upper() == "ON"


@dataclass(frozen=True, slots=True)
class Choice:
    """One word of a list, short or long form; read as its short form."""

    words: tuple[str, ...]

    def read(self, given: Parameter) -> str:
        """Return the word's short form; raises ScpiError."""
        if not isinstance(given, Word):
            raise ScpiError(-104)
        for word in self.words:
            if spells(given.text, word):
                return "".join(c for c in word if not c.islower())
        raise ScpiError(-224)


@dataclass(frozen=True, slots=True)
class Quoted:
    """String data."""

    def read(self, given: Parameter) -> str:
        """Return the text; raises ScpiError."""
        if not isinstance(given, Text):
            raise ScpiError(-104)
        return given.text


@dataclass(frozen=True, slots=True)
class Channels:
    """A channel list `(@101,103:105)` of known channels (SCPI-1999 volume 1, 8.3.2)."""

    known: Sequence[int]

    def read(self, given: Parameter) -> tuple[int, ...]:
        """Return the channels in the order written; raises ScpiError."""
        if not isinstance(given, Expression):
            raise ScpiError(-104)
        if not given.text.startswith("@") or len(given.text) == 1:
            raise ScpiError(-170)
        found: list[int] = []
        for entry in given.text[1:].split(","):
            found += self._entry(entry)
        return tuple(found)

    def _entry(self, entry: str) -> list[int]:
        first, colon, last = entry.partition(":")
        if not first.isdigit() or (colon and not last.isdigit()):
            raise ScpiError(-170)
        ends = [int(first), int(last or first)]
        if any(end not in self.known for end in ends):
            raise ScpiError(-222)
        inside = [c for c in self.known if min(ends) <= c <= max(ends)]
        return inside if ends[0] <= ends[1] else inside[::-1]


Wanted = Numeric | Boolean | Choice | Quoted | Channels


@dataclass(frozen=True, slots=True)
class Optional_:  # noqa: N801  # `Optional` would read as the typing one
    """A parameter that may be left out; None then."""

    wanted: Wanted


def read_parameters(
    given: Sequence[Parameter], wanted: Sequence[Wanted | Optional_]
) -> list[object]:
    """Return the values; raises ScpiError -109 (missing), -108 (too many) or the reader's own."""
    if len(given) > len(wanted):
        raise ScpiError(-108)
    values: list[object] = []
    for place, want in enumerate(wanted):
        inner = want.wanted if isinstance(want, Optional_) else want
        if place < len(given):
            values.append(inner.read(given[place]))
        elif isinstance(want, Optional_):
            values.append(None)
        else:
            raise ScpiError(-109)
    return values
