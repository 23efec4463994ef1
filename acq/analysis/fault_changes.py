"""What a fault does to the network: from the elements of a sound cell to its lead resistances."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from acq.analysis.expectation import OUTPUT, Change
from acq.analysis.leads import Lead
from acq.analysis.network import (
    LEAD_PLACE,
    BridgeElements,
    Floats,
    joined,
    lead_resistances,
)

OPEN_OHMS = 1e12
SHORT_OHMS = 1e-9
ARM_PLACE = {"A": 0, "B": 1, "C": 2, "D": 3}


def arm_scaled(arm: str, factor: float) -> Change:
    """One arm has `factor` times its resistance; inf is open, 0 is shorted."""

    def change(sound: BridgeElements) -> Floats:
        arms = sound.arms.copy()
        at = ARM_PLACE[arm]
        arms[..., at] = np.clip(factor * arms[..., at], SHORT_OHMS, OPEN_OHMS)
        return lead_resistances(replace(sound, arms=arms))

    return change


def arms_and_legs_scaled(factor: float) -> Change:
    """The same type of another nominal resistance: arms and legs alike."""

    def change(sound: BridgeElements) -> Floats:
        other = replace(sound, arms=factor * sound.arms, compensation=factor * sound.compensation)
        return lead_resistances(other)

    return change


def output_shifted(ratio: float) -> Change:
    """The spring body keeps a set: the arms move as under a load that gives `ratio` V/V."""

    def change(sound: BridgeElements) -> Floats:
        table = lead_resistances(sound)
        input_ohms = table[..., LEAD_PLACE[Lead.EX_PLUS], LEAD_PLACE[Lead.EX_MINUS]]
        relative = ratio * input_ohms / sound.arms.mean(-1)
        arms = sound.arms * (1.0 + relative[..., None] * OUTPUT)
        return lead_resistances(replace(sound, arms=arms))

    return change


def leg_scaled(side: int, factor: float) -> Change:
    """One compensation leg (0 at Ex+, 1 at Ex-) has `factor` times its resistance."""

    def change(sound: BridgeElements) -> Floats:
        legs = sound.compensation.copy()
        legs[..., side] = factor * legs[..., side]
        return lead_resistances(replace(sound, compensation=legs))

    return change


def legs_scaled(factor: float, copper_factor: float) -> Change:
    """Both legs and the cable change together: another temperature."""

    def change(sound: BridgeElements) -> Floats:
        warm = replace(
            sound,
            compensation=factor * sound.compensation,
            conductors=copper_factor * sound.conductors,
        )
        return lead_resistances(warm)

    return change


def ohms_in_lead(lead: Lead, ohms: float) -> Change:
    """A bad joint in one conductor."""

    def change(sound: BridgeElements) -> Floats:
        conductors = sound.conductors.copy()
        conductors[..., LEAD_PLACE[lead]] += ohms
        return lead_resistances(replace(sound, conductors=conductors))

    return change


def cable_scaled(factor: float) -> Change:
    """A cable of `factor` times the length."""

    def change(sound: BridgeElements) -> Floats:
        return lead_resistances(replace(sound, conductors=factor * sound.conductors))

    return change


def leads_touch(one: Lead, other: Lead, ohms: float, along: float) -> Change:
    """A path between two conductors, `along` the cable: 0 at the plug, 1 at the cell."""

    def change(sound: BridgeElements) -> Floats:
        behind = replace(sound, conductors=(1.0 - along) * sound.conductors)
        table = joined(lead_resistances(behind), LEAD_PLACE[one], LEAD_PLACE[other], ohms)
        before = along * sound.conductors
        table = table + before[..., :, None] + before[..., None, :]
        diagonal = np.arange(table.shape[-1])
        table[..., diagonal, diagonal] = 0.0
        return table

    return change


def leads_exchanged(order: Sequence[Lead]) -> Change:
    """The lead that is marked as the n-th of the usual order really is `order[n]`."""
    places = np.array([LEAD_PLACE[lead] for lead in order])

    def change(sound: BridgeElements) -> Floats:
        table = lead_resistances(sound)
        return table[..., places[:, None], places]

    return change
