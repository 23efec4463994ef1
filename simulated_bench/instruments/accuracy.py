"""What an instrument's manual promises, and the errors that this very instrument has.

The errors are drawn from the seed inside the promise, so that a bench file which states the
promise is true. All figures are invented, of the usual size for their kind of instrument.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

USED = 0.85
"""How much of each promised limit a drawn error may use: the rest is room for noise."""

DRIFT = 0.4
"""How much of that the gain may drift away in the year for which the promise holds; it goes on
after that. Invented, as all figures here."""


@dataclass(frozen=True, slots=True)
class Limit:
    """Limits of error of one quantity in one range; without a range they hold for all.

    `range` and `absolute` in the quantity's SI unit, temperature coefficients per kelvin
    outside 23 +- 5 degC.
    """

    quantity: str
    range: float | None = None
    reading_ppm: float = 0.0
    range_ppm: float = 0.0
    absolute: float = 0.0
    offset_share: float | None = None
    linearity_ppm: float | None = None
    reading_ppm_per_kelvin: float = 0.0
    range_ppm_per_kelvin: float = 0.0
    noise: float = 0.0
    input_ohms: float | None = None
    source: str = "manual of the simulated instrument (invented), accuracy after one year"

    def offset_limit(self) -> float:
        """Limit of the constant error in the quantity's unit."""
        floor = self.range_ppm * 1e-6 * (self.range or 0.0) + self.absolute
        return floor * (1.0 if self.offset_share is None else self.offset_share)

    def linearity_limit(self) -> float:
        """Limit of what is neither gain nor offset, in the quantity's unit."""
        if self.linearity_ppm is None or self.range is None:
            return 0.0
        rest = (1.0 - (self.offset_share or 1.0)) * self.range_ppm
        return min(self.linearity_ppm, rest) * 1e-6 * self.range

    def to_toml(self, role: str) -> str:
        """Return the entry of a bench file."""
        pairs: list[tuple[str, object]] = [
            ("quantity", self.quantity),
            ("range", self.range),
            ("reading_ppm", self.reading_ppm or None),
            ("range_ppm", self.range_ppm or None),
            ("absolute", self.absolute or None),
            ("offset_share", self.offset_share),
            ("linearity_ppm", self.linearity_ppm),
            ("temperature_reading_ppm_per_K", self.reading_ppm_per_kelvin or None),
            ("temperature_range_ppm_per_K", self.range_ppm_per_kelvin or None),
            ("noise", self.noise or None),
            ("input_ohms", self.input_ohms),
            ("source", self.source),
        ]
        lines = [f"{key} = {toml_value(value)}" for key, value in pairs if value is not None]
        return "\n".join([f"[[instruments.{role}.accuracy]]", *lines, ""])


@dataclass(frozen=True, slots=True)
class Errors:
    """The errors of one instrument in one range, as drawn."""

    limit: Limit
    gain: float
    offset: float
    linearity: float
    gain_per_kelvin: float
    offset_per_kelvin: float

    def shown(self, value: float, celsius: float = 23.0) -> float:
        """Return what the instrument makes of a true value, noise apart."""
        outside = max(0.0, abs(celsius - 23.0) - 5.0)
        gain = self.gain + self.gain_per_kelvin * outside
        offset = self.offset + self.offset_per_kelvin * outside
        return value * (1.0 + gain) + offset + self._bend(value)

    def _bend(self, value: float) -> float:
        """A smooth curve, 0 at zero and at full scale, 1 at its highest."""
        if not self.linearity or not self.limit.range:
            return 0.0
        share = max(-1.0, min(1.0, value / self.limit.range))
        return self.linearity * 2.598 * share * (1.0 - share * share)


def drawn(*key: object) -> float:
    """Return a number in [-1, 1) that depends on the key alone."""
    digest = hashlib.sha256("/".join(str(part) for part in key).encode()).digest()
    return int.from_bytes(digest[:8], "big") / 2.0**63 - 1.0


class Workshop(Protocol):
    """Where instruments come from: the seed, how much worse some are than usual, how long ago
    each was calibrated.
    """

    seed: int
    error_scale: dict[str, float]
    years: dict[str, float]


def draw_errors(limit: Limit, shop: Workshop, name: str) -> Errors:
    """Return the errors of the instrument `name` in the range of `limit`."""
    key = (shop.seed, name, limit.quantity, limit.range)
    used = USED * shop.error_scale.get(name, 1.0)
    per_kelvin = limit.range_ppm_per_kelvin * 1e-6 * (limit.range or 0.0)
    drifted = DRIFT * shop.years.get(name, 0.0) * drawn(*key, "drift")
    return Errors(
        limit,
        used * limit.reading_ppm * 1e-6 * ((1.0 - DRIFT) * drawn(*key, "gain") + drifted),
        used * limit.offset_limit() * drawn(*key, "offset"),
        used * limit.linearity_limit() * drawn(*key, "linearity"),
        used * limit.reading_ppm_per_kelvin * 1e-6 * drawn(*key, "gain per kelvin"),
        used * per_kelvin * drawn(*key, "offset per kelvin"),
    )


def limits_to_toml(limits: Sequence[Limit], role: str) -> str:
    """Return the accuracy tables of one instrument for a bench file."""
    return "\n".join(limit.to_toml(role) for limit in limits)


def toml_value(value: object) -> str:
    """Return a TOML literal of a string, number, truth value or date."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"')
        return f'"{escaped}"'
    if isinstance(value, float):
        text = repr(value)
        return text if any(c in text for c in ".en") else f"{text}.0"
    return str(value)
