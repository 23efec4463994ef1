"""What a fault does to the network: from the elements of a sound cell to its lead resistances."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

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
OUTPUT_SIGNS = np.array([-1.0, 1.0, 1.0, -1.0])
"""Change of the arms A, B, C, D for a positive signal."""


def _same(sound: BridgeElements) -> BridgeElements:
    return sound


@dataclass(frozen=True, slots=True)
class Change:
    """A fault: what it does to the elements, and how the leads then see them."""

    elements: Callable[[BridgeElements], BridgeElements] = _same
    leads: Callable[[BridgeElements], Floats] = lead_resistances

    def __call__(self, sound: BridgeElements) -> Floats:
        """Return the lead resistances (..., 6, 6) in ohm with the fault in place."""
        return self.leads(self.elements(sound))

    def then(self, other: Change) -> Change:
        """Return both faults at once. Raises ValueError when both are between the leads."""
        if self.leads is not lead_resistances and other.leads is not lead_resistances:
            raise ValueError("two faults between leads have no common model")
        leads = other.leads if self.leads is lead_resistances else self.leads
        return Change(lambda sound: other.elements(self.elements(sound)), leads)


SOUND = Change()


def arm_scaled(arm: str, factor: float) -> Change:
    """One arm has `factor` times its resistance; inf is open, 0 is shorted."""

    def change(sound: BridgeElements) -> BridgeElements:
        arms = sound.arms.copy()
        at = ARM_PLACE[arm]
        arms[..., at] = np.clip(factor * arms[..., at], SHORT_OHMS, OPEN_OHMS)
        return replace(sound, arms=arms)

    return Change(change)


def arms_and_legs_scaled(factor: float) -> Change:
    """The same type of another nominal resistance: arms and legs alike."""

    def change(sound: BridgeElements) -> BridgeElements:
        return replace(sound, arms=factor * sound.arms, compensation=factor * sound.compensation)

    return Change(change)


def output_shifted(ratio: float) -> Change:
    """The spring body keeps a set: the arms move as under a load that gives `ratio` V/V."""

    def change(sound: BridgeElements) -> BridgeElements:
        table = lead_resistances(sound)
        input_ohms = table[..., LEAD_PLACE[Lead.EX_PLUS], LEAD_PLACE[Lead.EX_MINUS]]
        relative = ratio * input_ohms / sound.arms.mean(-1)
        return replace(sound, arms=sound.arms * (1.0 + relative[..., None] * OUTPUT_SIGNS))

    return Change(change)


def leg_scaled(side: int, factor: float) -> Change:
    """One compensation leg (0 at Ex+, 1 at Ex-) has `factor` times its resistance."""

    def change(sound: BridgeElements) -> BridgeElements:
        legs = sound.compensation.copy()
        legs[..., side] = factor * legs[..., side]
        return replace(sound, compensation=legs)

    return Change(change)


def legs_and_cable_scaled(legs: float, copper: float) -> Change:
    """Both legs and the cable change together: another temperature."""

    def change(sound: BridgeElements) -> BridgeElements:
        return replace(
            sound,
            compensation=legs * sound.compensation,
            conductors=copper * sound.conductors,
        )

    return Change(change)


def ohms_in_lead(lead: Lead, ohms: float) -> Change:
    """A bad joint in one conductor."""

    def change(sound: BridgeElements) -> BridgeElements:
        conductors = sound.conductors.copy()
        conductors[..., LEAD_PLACE[lead]] += ohms
        return replace(sound, conductors=conductors)

    return Change(change)


def cable_scaled(factor: float) -> Change:
    """A cable of `factor` times the length."""

    def change(sound: BridgeElements) -> BridgeElements:
        return replace(sound, conductors=factor * sound.conductors)

    return Change(change)


def leads_touch(one: Lead, other: Lead, ohms: float, along: float) -> Change:
    """A path between two conductors, `along` the cable: 0 at the plug, 1 at the cell."""

    def leads(sound: BridgeElements) -> Floats:
        behind = replace(sound, conductors=(1.0 - along) * sound.conductors)
        table = joined(lead_resistances(behind), LEAD_PLACE[one], LEAD_PLACE[other], ohms)
        before = along * sound.conductors
        table = table + before[..., :, None] + before[..., None, :]
        diagonal = np.arange(table.shape[-1])
        table[..., diagonal, diagonal] = 0.0
        return table

    return Change(leads=leads)


def leads_exchanged(order: Sequence[Lead]) -> Change:
    """The lead that is marked as the n-th of the usual order really is `order[n]`."""
    places = np.array([LEAD_PLACE[lead] for lead in order])

    def leads(sound: BridgeElements) -> Floats:
        table = lead_resistances(sound)
        return table[..., places[:, None], places]

    return Change(leads=leads)
