"""One reading: what an instrument said, when, and under which settings. Journalled as it is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Literal

Limitation = Literal["above", "below"]
Setting = float | int | str | bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One number from one instrument, with all that is needed to defend it later.

    `value` is in `unit` (SI). `limit` says that only a bound is known: "above" with a number is
    ">value" (an insulation tester at its end), "above" or "below" without one is over-range.
    `raw` is the instrument's own text, so that a parsing mistake can be undone afterwards.
    Times are bench time in nanoseconds.
    """

    quantity: str
    value: float | None
    limit: Limitation | None
    unit: str
    instrument: str
    range_: float | None
    plc: float | None
    started_ns: int
    ended_ns: int
    raw: str
    settings: Mapping[str, Setting] = field(default_factory=dict, hash=False)

    def __post_init__(self) -> None:
        # a number that is not finite must never travel on as a value: over-range is typed instead
        if self.value is None and self.limit is None:
            raise ValueError(f"{self.instrument}: a reading without a value must say its limit")
        if self.value is not None and not abs(self.value) < float("inf"):
            raise ValueError(f"{self.instrument}: value must be finite, got {self.value}")
        object.__setattr__(self, "settings", MappingProxyType(dict(self.settings)))

    @property
    def is_number(self) -> bool:
        """Tell whether the value may be averaged and calculated with."""
        return self.value is not None and self.limit is None

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values; floats come back exact."""
        return {
            "quantity": self.quantity,
            "value": self.value,
            "limit": self.limit,
            "unit": self.unit,
            "instrument": self.instrument,
            "range": self.range_,
            "plc": self.plc,
            "started_ns": self.started_ns,
            "ended_ns": self.ended_ns,
            "raw": self.raw,
            "settings": dict(self.settings),
        }

    @classmethod
    def from_json(cls, table: Mapping[str, Any]) -> Reading:
        """Return the reading that `to_json` wrote; raises KeyError when a key is missing."""
        return cls(
            quantity=table["quantity"],
            value=table["value"],
            limit=table["limit"],
            unit=table["unit"],
            instrument=table["instrument"],
            range_=table["range"],
            plc=table["plc"],
            started_ns=table["started_ns"],
            ended_ns=table["ended_ns"],
            raw=table["raw"],
            settings=table["settings"],
        )
