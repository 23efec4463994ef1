"""A wet leak: an electrolyte between two metals conducts better one way than the other.

A linear leak with a galvanic EMF of some tenths of a volt cannot give the 10 to 50 % by which
insulation readings at 50 V differ with polarity; a conductance that depends on the sign of the
voltage does. The law, ours and smooth so that Newton's method settles in a few steps:

    i(u) = (u / ohms) (1 + asymmetry tanh(u / knee)),      u = v - galvanic

Far above the knee the leak reads ohms / (1 + asymmetry) one way and ohms / (1 - asymmetry) the
other way; below the knee it is `ohms` with the galvanic EMF in series.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MAX_ASYMMETRY = 0.8
"""Above 0.83 the current would fall with rising voltage near the knee."""


@dataclass(frozen=True, slots=True, eq=False)
class Electrolyte:
    """The law of a wet leak; ohms, asymmetry and galvanic volts may be one value per cell."""

    ohms: float | Floats
    asymmetry: float | Floats = 0.3
    knee_volts: float = 1.0
    galvanic_volts: float | Floats = 0.0

    def __post_init__(self) -> None:
        if np.any(np.abs(self.asymmetry) > MAX_ASYMMETRY):
            raise ValueError(f"asymmetry of a wet leak is within +-{MAX_ASYMMETRY}")
        if not self.knee_volts > 0:
            raise ValueError("the knee of a wet leak is above 0 V")

    def of(self, cells: NDArray[np.int64]) -> Electrolyte:
        """Return the law for some cells of a batch."""

        def some(values: float | Floats) -> float | Floats:
            return values[cells] if isinstance(values, np.ndarray) else values

        return Electrolyte(
            some(self.ohms), some(self.asymmetry), self.knee_volts, some(self.galvanic_volts)
        )

    def current(self, volts: float | Floats) -> Floats:
        """Return the current in A at `volts` across the leak."""
        u = np.asarray(volts - self.galvanic_volts, float)
        return np.asarray(u * (1 + self.asymmetry * np.tanh(u / self.knee_volts)) / self.ohms)

    def tangent(self, volts: Floats) -> tuple[Floats, Floats]:
        """Return (ohms, EMF) of the straight line that touches the law at `volts`."""
        u = np.asarray(volts - self.galvanic_volts, float)
        bend = np.tanh(u / self.knee_volts)
        rise = self.asymmetry * (u / self.knee_volts) * (1 - bend**2)
        whole = 1 + self.asymmetry * bend
        slope = whole + rise
        return np.asarray(self.ohms / slope), np.asarray(self.galvanic_volts + u * rise / slope)
