"""Commands from templates: `VOLT {volts}`, `U{volts}`, `OUTP {on},(@{output})`. No I/O.

How a value is written stands in one table per value: scale, number of digits, padding, words for
switches, choices of a knob with fixed positions. A value that cannot be written as the
instrument needs it is refused here, before anything is sent.
"""

from __future__ import annotations

import math
import re
import string
from collections.abc import Mapping
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from drivers.scpi import plain_decimal
from drivers.written_file import Written

Given = float | bool | str

_FORMAT = re.compile(r"(?P<fill>[ 0<>+]*)(?P<width>\d*)(\.(?P<places>\d+))?(?P<kind>[fdeEgG])")
_ROUNDING = {"nearest": ROUND_HALF_EVEN, "down": ROUND_FLOOR, "up": ROUND_CEILING}


class CannotSayError(ValueError):
    """This dialect has no way to write that value."""


class Choice(Written):
    """One position of a knob that has fixed ones; `reading_s` is what a reading then takes."""

    value: float
    word: str
    reading_s: float | None = Field(default=None, ge=0)


class ValueFormat(Written):
    """How one value is written into commands (see the README for each key)."""

    scale: float = 1.0
    format: str = ""
    round: Literal["nearest", "down", "up"] = "nearest"
    least: float | None = None
    most: float | None = None
    steps: tuple[float, ...] = ()
    choices: tuple[Choice, ...] = ()
    words: dict[str, str] = Field(default={})
    otherwise: str | None = None

    @model_validator(mode="after")
    def _is_usable(self) -> ValueFormat:
        if self.format and not _FORMAT.fullmatch(self.format):
            raise ValueError("format: digits and padding such as '05.2f', '04.0f', '.6g'")
        if self.scale == 0 or not math.isfinite(self.scale):
            raise ValueError("scale: a number other than zero")
        if self.choices and self.steps:
            raise ValueError("steps and choices exclude each other")
        return self

    def nearest_allowed(self, name: str, value: float) -> float:
        """Return the smallest allowed step or choice that is not below `value`, or `value`.

        Raises CannotSayError outside the limits.
        """
        allowed = sorted([*self.steps, *(choice.value for choice in self.choices)])
        if not allowed:
            self._check_limits(name, value)
            return value
        for step in allowed:
            if step >= value * (1 - 1e-9):
                return step
        raise CannotSayError(f"{name} {value:g} is above the highest allowed, {allowed[-1]:g}")

    def reading_s_at_least(self, value: float) -> float | None:
        """Return how long a reading takes at the choice used for `value`, if the file says so."""
        if not self.choices:
            return None
        used = self.nearest_allowed("", value)
        return next(choice.reading_s for choice in self.choices if choice.value == used)

    @property
    def resolution(self) -> float:
        """Return half of the last digit that is written: a read-back may differ by that much."""
        match = _FORMAT.fullmatch(self.format)
        if match is None or match["kind"] not in "fd":
            return 0.0
        whole = 1.0 if self.round != "nearest" else 0.5
        return whole * 10.0 ** -int(match["places"] or 0) / abs(self.scale)

    def write(self, name: str, value: Given) -> str:
        """Return the text for a command; raises CannotSayError when there is none."""
        if isinstance(value, bool):
            return self.words.get("on" if value else "off", "ON" if value else "OFF")
        if isinstance(value, str):
            return self._word(name, value)
        if not math.isfinite(value):
            raise CannotSayError(f"{name} must be a finite number, got {value}")
        allowed = self.nearest_allowed(name, value)
        for choice in self.choices:
            if choice.value == allowed:
                return choice.word
        return self._number(name, allowed)

    def _word(self, name: str, value: str) -> str:
        if self.words and value not in self.words:
            raise CannotSayError(f"{name} may be {', '.join(sorted(self.words))}, got {value!r}")
        return self.words.get(value, value)

    def _number(self, name: str, value: float) -> str:
        scaled = value * self.scale
        if not self.format:
            return plain_decimal(scaled)
        match = _FORMAT.fullmatch(self.format)
        assert match is not None
        number: Decimal | float = scaled
        if match["kind"] in "fd":
            number = self._rounded(scaled, int(match["places"] or 0))
        text = format(number, self.format.replace("d", ".0f"))
        packed = match["fill"].startswith("0") and match["width"]
        signed = text.startswith("-") and (self.least is None or self.least >= 0.0)
        if packed and (len(text) != int(match["width"]) or signed):
            raise CannotSayError(f"{name} {value:g} does not fit into {match['width']} places")
        return text

    def _rounded(self, value: float, places: int) -> Decimal:
        # the shortest decimal form first, so that 0.3 * 1000 is 300 and not 299.99999999999994
        exact = Decimal(repr(float(f"{value:.12g}")))
        return exact.quantize(Decimal(1).scaleb(-places), rounding=_ROUNDING[self.round])

    def _check_limits(self, name: str, value: float) -> None:
        if self.least is not None and value < self.least:
            raise CannotSayError(f"{name} {value:g} is below the lowest allowed, {self.least:g}")
        if self.most is not None and value > self.most:
            raise CannotSayError(f"{name} {value:g} is above the highest allowed, {self.most:g}")


def names_in(template: str) -> frozenset[str]:
    """Return the names between braces; raises ValueError when the braces are wrong."""
    names = set()
    for _, name, spec, conversion in string.Formatter().parse(template):
        if name is None:
            continue
        if not name.isidentifier() or spec or conversion:
            raise ValueError(
                f"{{{name}}}: a plain name, its form stands in [values.{name or '...'}]"
            )
        names.add(name)
    return frozenset(names)


def _checked(template: str) -> str:
    names_in(template)
    if not template.isascii() or any(ord(sign) < 32 for sign in template):
        raise ValueError("plain ASCII without control characters; line ends belong to [link]")
    return template


Template = Annotated[str, AfterValidator(_checked)]


def fill(template: str, given: Mapping[str, Given], formats: Mapping[str, ValueFormat]) -> str:
    """Return the command; raises CannotSayError for a value that is missing or unwritable."""
    texts = {}
    for name in names_in(template):
        form = formats.get(name, _PLAIN)
        if name in given:
            texts[name] = form.write(name, given[name])
        elif form.otherwise is not None:
            texts[name] = form.otherwise
        else:
            raise CannotSayError(f"{template!r} needs a value for {name!r}")
    return template.format(**texts)


_PLAIN = ValueFormat()
