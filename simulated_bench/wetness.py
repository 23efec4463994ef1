"""Moisture in a cell: how it enters and dries, and the wet leaks that it makes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simulated_bench.electrolyte import Electrolyte
from simulated_bench.elements import Element
from simulated_bench.states import Drive, Modes

Path = tuple[str, str, float]
"""Two nodes, and the share of the wet conductance that lies between them."""

GLAND: tuple[Path, ...] = (
    ("pad Ex+", "pad shield", 0.25),
    ("pad S+", "pad shield", 0.25),
    ("pad Ex-", "pad shield", 0.2),
    ("pad S+", "housing", 0.2),
    ("pad Ex-", "housing", 0.1),
)
"""70 % at the gland and unequal rests at the gauge tabs: common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wetness:
    """A seal and what gets behind it; the content w is from 0 (dry) to 1.

    dw/dt = (RH - w) / tau with the room's relative humidity, slower into a good seal than out
    in the oven. Conductance: siemens w^3, doubled every `doubling_kelvin`. The leaks are
    non-linear: an insulation reading depends on polarity. Common practice, no source.
    """

    start: float = 0.0
    seal_tau_s: float = 30 * 86_400.0
    drying_tau_s: float = 5 * 3600.0
    dries_above_celsius: float = 50.0
    siemens: float = 1e-7
    paths: tuple[Path, ...] = GLAND
    asymmetry: float = 0.25
    galvanic_volts: float = 0.15
    doubling_kelvin: float = 9.0


class Moisture:
    """The present content of a cell and the leaks that follow from it."""

    def __init__(self, wetness: Wetness, prefix: str = "") -> None:
        self.wetness = wetness
        self._prefix = prefix
        self._content = Modes([-1 / wetness.seal_tau_s], value=wetness.start)

    @property
    def content(self) -> float:
        """The content w, from 0 to 1."""
        return self._content.level()

    def advance(self, seconds: float, humidity: Drive, celsius: float) -> None:
        """Let moisture in or, in an oven, out; `humidity` in percent."""
        drying = celsius >= self.wetness.dries_above_celsius
        tau = self.wetness.drying_tau_s if drying else self.wetness.seal_tau_s
        self._content.rates = [-1 / tau + 0j]
        self._content.step(seconds, Drive() if drying else humidity.scaled(0.01))

    def parts(self, celsius: float) -> Sequence[Element]:
        """Return the wet leaks; opens while the cell is dry."""
        wet = self.wetness
        siemens = wet.siemens * max(self.content, 0.0) ** 3
        siemens *= 2.0 ** ((celsius - 23.0) / wet.doubling_kelvin)
        parts = []
        for a, b, share in wet.paths:
            ohms = 1 / (siemens * share) if siemens * share > 1e-18 else np.inf
            law = Electrolyte(ohms, wet.asymmetry, galvanic_volts=wet.galvanic_volts)
            name = f"{self._prefix}moisture {a} {b}"
            parts.append(Element(name, self._prefix + a, self._prefix + b, ohms, law=law))
        return parts
