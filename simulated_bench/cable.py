"""Cables: copper conductors at their temperature, and insulation that has a length.

Resistances are the maximum values that IEC 60228 prints at 20 degC for flexible conductors
(class 5, plain copper); the fine conductors of cell cables are below its range and come from
cable makers' common tables. IEC 60228 converts by its own rule 250 / (230 + t), which is
0.004 per kelvin, not the 0.00393 of annealed copper (IEC 60028).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from simulated_bench.circuit import Values

CLASS_5_OHMS_PER_KM: Mapping[float, float] = {
    0.5: 39.0,
    0.75: 26.0,
    1.0: 19.5,
    1.5: 13.3,
    2.5: 7.98,
}
"""IEC 60228, class 5, plain copper, by nominal area in mm2."""

FINE_OHMS_PER_KM: Mapping[float, float] = {0.14: 134.0, 0.25: 76.0, 0.34: 53.0}
"""Common practice of cable makers below the range of IEC 60228, by nominal area in mm2."""


def correction_to_20(celsius: Values) -> Values:
    """Return the factor that takes a resistance at `celsius` to 20 degC (IEC 60228, annex)."""
    return 250.0 / (230.0 + celsius)


def ohms_per_metre(area_mm2: float) -> float:
    """Return the resistance of one conductor at 20 degC in ohm per metre.

    Raises ValueError for an area that neither table knows.
    """
    known = {**FINE_OHMS_PER_KM, **CLASS_5_OHMS_PER_KM}
    if area_mm2 not in known:
        allowed = ", ".join(f"{area:g}" for area in known)
        raise ValueError(f"no conductor of {area_mm2:g} mm2 is tabulated; one of {allowed}")
    return known[area_mm2] / 1000.0


@dataclass(frozen=True, slots=True, eq=False)
class Cable:
    """A screened cable. `conductor_ohms` (at 20 degC, by lead) stands above length and area.

    `insulation_ohm_km` is the insulation of one pair of cores: 1 km of it has that resistance,
    and a shorter cable has more. `farads_per_metre` is all cores joined against the shield.
    """

    length_m: float = 5.0
    area_mm2: float = 0.25
    shield_ohms: Values = 0.2
    insulation_ohm_km: float = 1e10
    farads_per_metre: float = 0.5e-9
    absorption: float = 0.03
    conductor_ohms: Mapping[str, Values] = field(default_factory=dict)

    def ohms(self, lead: str, celsius: Values = 20.0) -> Values:
        """Return the resistance of one conductor in ohm."""
        at_20 = self.conductor_ohms.get(lead)
        if at_20 is None:
            at_20 = self.length_m * ohms_per_metre(self.area_mm2)
        return at_20 / correction_to_20(celsius)

    def insulation_ohms(self) -> float:
        """Return the insulation between two cores over the whole length, in ohm."""
        return self.insulation_ohm_km * 1000.0 / self.length_m

    def farads(self) -> float:
        """Return the capacitance of all cores joined against the shield, in F."""
        return self.farads_per_metre * self.length_m
