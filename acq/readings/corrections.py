"""Known influences taken off, each leaving its own uncertainty behind.

All functions take and give uncertain numbers, so that what is shared stays shared.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from acq.readings.measured import Uncertain
from acq.readings.uncertainty import Uncertainties

RECTANGULAR = math.sqrt(3.0)


def unloaded(voltage: Uncertain, source_ohms: float, input_ohms: float | None) -> Uncertain:
    """Return the voltage that would stand without the meter: V (1 + R_source / R_input).

    10 Mohm takes 35 ppm off a 350 ohm bridge. An input that is not known is taken as none.
    """
    if input_ohms is None:
        return voltage
    if input_ohms <= 0.0 or source_ohms < 0.0:
        raise ValueError(f"no such meter: {source_ohms} ohm into {input_ohms} ohm")
    corrected: Uncertain = voltage * (1.0 + source_ohms / input_ohms)
    return corrected


def bracketed(
    before: Uncertain, after: Uncertain, uncertainties: Uncertainties, name: str
) -> Uncertain:
    """Return a quantity at a time between two readings of it, from one meter that looks away.

    The mean, and for the time between a rectangular influence `name` of half their difference.
    """
    middle = (before + after) / 2.0
    half = abs(float(after.x) - float(before.x)) / 2.0
    bridged: Uncertain = middle + uncertainties.fresh(
        f"{name} drift while not read", half / RECTANGULAR
    )
    return bridged


def without_leads(
    resistance: Uncertain,
    uncertainties: Uncertainties,
    *,
    lead_ohms: float,
    contact_half_width: float,
    contacts: int = 2,
) -> Uncertain:
    """Return a 2-wire resistance less its leads; each contact is +- its half width (ohm)."""
    if lead_ohms < 0.0 or contact_half_width < 0.0 or contacts < 0:
        raise ValueError("leads and contacts have no negative resistance")
    spread = contact_half_width / RECTANGULAR * math.sqrt(contacts)
    corrected: Uncertain = resistance - lead_ohms - uncertainties.fresh("contacts", spread)
    return corrected


def at_temperature(
    value: Uncertain,
    uncertainties: Uncertainties,
    *,
    per_kelvin: float,
    kelvins: float,
    kelvins_half_width: float,
    name: str,
) -> Uncertain:
    """Return a value (relative coefficient per K) moved by so many kelvins, +- a half width."""
    influence = uncertainties.shared(name, abs(per_kelvin) * kelvins_half_width / RECTANGULAR)
    moved: Uncertain = value * (1.0 + per_kelvin * kelvins) + float(value.x) * influence
    return moved


class Weight(NamedTuple):
    """One weight: nominal kg, the limit of its error in ppm, the set that it belongs to.

    Limits by class come from the workshop's papers of the set (OIML R 111 gives them by size).
    """

    kilograms: float
    limit_ppm: float
    set_name: str


def load_of(weights: Sequence[Weight], uncertainties: Uncertainties) -> Uncertain:
    """Return the mass of weights on the hook, kg (conventional mass).

    Weights of one set were calibrated against one standard: they count as fully correlated, so
    their uncertainties add arithmetically; different sets add in quadrature.
    """
    if not weights:
        raise ValueError("no weights on the hook")
    total: Uncertain | None = None
    for weight in weights:
        error = uncertainties.shared(f"weights, set {weight.set_name}", 1.0)
        u = weight.kilograms * weight.limit_ppm * 1e-6 / RECTANGULAR
        one = weight.kilograms + error * u
        total = one if total is None else total + one
    assert total is not None
    return total
