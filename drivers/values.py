"""One number as an instrument gave it, before anyone judges it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

Bound = Literal["above", "below"]


@dataclass(frozen=True, slots=True)
class Value:
    """One reading in its SI unit, with the instrument's own text and its bench times in ns.

    `limit` "above" with a number means "more than", "below" "less than"; with None the reading is
    out of range on that side and nothing more is known (an open circuit reads "above"; with a sign:
    a dc voltage below the negative end of its range reads "below"). `range` is the range in use
    as the instrument states it, None when it does not. `started_ns` is when the reading was asked
    for or, from a stream, when its line was taken.
    """

    quantity: str
    value: float | None
    limit: Bound | None
    unit: str
    range: float | None
    raw: str
    started_ns: int
    ended_ns: int

    def __post_init__(self) -> None:
        if self.value is None and self.limit is None:
            raise ValueError(f"{self.quantity}: neither a value nor a limit")
        if self.value is not None and not math.isfinite(self.value):
            raise ValueError(f"{self.quantity}: value must be finite, got {self.value}")

    def __str__(self) -> str:
        """For people: `insulation-resistance > 2e+12 ohm`."""
        sign = {"above": "> ", "below": "< ", None: ""}[self.limit]
        number = f"{self.limit} range" if self.value is None else f"{sign}{self.value:.9g}"
        in_range = "" if self.range is None else f", range {self.range:g} {self.unit}"
        unit = "" if self.value is None else f" {self.unit}"
        return f"{self.quantity} {number}{unit}{in_range}"
