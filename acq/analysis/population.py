"""The stated population: how cells, meters and faults are assumed to scatter.

Every probability of a diagnosis holds under these numbers and under no others. They are
assumptions of this program, of the size that the trade reports; none is from a standard. A
workshop that keeps records replaces them by its own.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from acq.analysis.faults import Fault

ASSUMED = "assumption of this program"


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """Standard deviations of sound cells of one type about their papers; SI, or relative."""

    arm_mismatch: float = 3e-4  # of an arm: top against bottom, left against right
    leg_split: float = 0.01  # of the sum of both legs, between them
    leg_per_kelvin: float = 0.005  # nickel-like
    leg_per_kelvin_spread: float = 3e-4
    copper_per_kelvin: float = 0.004  # IEC 60228, annex: 250 / (230 + t)
    conductor_common: float = 0.03  # of the cable's resistance per metre
    conductor_each: float = 0.01
    contact_ohms: float = 0.002  # of each clip
    source: str = ASSUMED


@dataclass(frozen=True, slots=True, kw_only=True)
class Meters:
    """Standard uncertainties of the readings: what a good bench multimeter leaves, 4-wire."""

    gain: float = 6e-5  # of all ohms, common
    range_ohms: float = 1200.0  # above it another range serves, with a gain of its own
    offset_ohms: float = 0.006  # of all ohms, common
    noise_ohms: float = 0.002  # of each pair, after averaging
    repeat_ohms: float = 0.003  # of one repeat of a pair
    zero_ratio: float = 5e-7  # V/V
    emf_volts: float = 1e-6  # thermal, where it is not removed by reversal
    emf_reading_volts: float = 3e-7
    celsius: float = 0.5
    insulation_low: float = 0.03  # in decades, below 1 Gohm
    insulation_high: float = 0.08
    source: str = ASSUMED


@dataclass(frozen=True, slots=True, kw_only=True)
class Insulation:
    """log10 of sound insulation resistances in ohm, mean and standard deviation."""

    leads_housing: tuple[float, float] = (10.6, 0.35)
    leads_shield: tuple[float, float] = (10.6, 0.35)
    shield_housing: tuple[float, float] = (10.6, 0.45)
    shield_connected: tuple[float, float] = (-0.5, 0.6)  # where the papers say connected
    source: str = ASSUMED


RETURNED_CELLS: Mapping[Fault, float] = {
    Fault.OPEN_LEAD: 0.10,
    Fault.OPEN_SENSE_LEAD: 0.03,
    Fault.LEAD_SHORT: 0.06,
    Fault.OPEN_ARM: 0.05,
    Fault.SHORTED_ARM: 0.02,
    Fault.ARM_CHANGED: 0.05,
    Fault.DAMAGED_CABLE: 0.05,
    Fault.MOISTURE_IN_CELL: 0.13,
    Fault.MOISTURE_IN_CABLE: 0.09,
    Fault.SHIELD_TO_HOUSING: 0.02,
    Fault.PLASTIC_SET: 0.16,
    Fault.SIDE_LOAD_SET: 0.02,
    Fault.FATIGUE_CRACK: 0.01,
    Fault.BOND_FAILURE: 0.01,
    Fault.SWAPPED_LEADS: 0.04,
    Fault.COMPENSATION_FAILED: 0.02,
    Fault.ZERO_COMPENSATION_FAILED: 0.015,
    Fault.LOOSE_JOINT: 0.05,
    Fault.NOT_SOAKED: 0.02,
    Fault.THERMAL_EMF: 0.02,
    Fault.WRONG_CABLE_LENGTH: 0.02,
    Fault.WRONG_PAPERS: 0.02,
    Fault.BUILT_IN_ELECTRONICS: 0.005,
}
"""Shares among the faulty cells of a repair workshop."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Population:
    """`sound` is the share of cells without a fault, `several` of those with two at once,
    `unknown` of those with a fault that is not in the list; `faults` are relative shares.
    """

    name: str = "returned cells"
    sound: float = 0.5
    several: float = 0.02
    unknown: float = 0.01
    faults: Mapping[Fault, float] = field(default_factory=lambda: RETURNED_CELLS)
    spread: Spread = field(default_factory=Spread)
    meters: Meters = field(default_factory=Meters)
    insulation: Insulation = field(default_factory=Insulation)
    source: str = ASSUMED

    def share(self, fault: Fault, possible: Collection[Fault] = tuple(Fault)) -> float:
        """Return the share of cells whose one fault is this one, of those a cell can have."""
        if fault is Fault.NONE_FOUND:
            return self.sound
        if fault is Fault.UNKNOWN:
            return self.unknown
        faulty = 1.0 - self.sound - self.several - self.unknown
        total = sum(share for other, share in self.faults.items() if other in possible)
        return faulty * self.faults.get(fault, 0.0) / total if total else 0.0

    def stated(self) -> str:
        """Return one sentence: under what the probabilities hold."""
        return (
            f"probabilities hold for the population {self.name!r} ({self.source}): "
            f"{self.sound:.0%} without a fault, {self.several:.0%} with two"
        )
