"""What cell it might be when no papers are at hand: the usual nominals and compensations."""

from __future__ import annotations

import numpy as np

from acq.analysis.expectation import ExpectedCell
from acq.analysis.leads import ADJACENT_PAIRS, INPUT, OUTPUT
from acq.analysis.observed import Observed

NOMINALS = {120.0: 0.03, 350.0: 0.57, 700.0: 0.15, 1000.0: 0.21, 2000.0: 0.04}
"""Nominal bridge resistances in ohm and about how common they are: common practice, no source."""
LAYOUTS = {(0.5, 0.5): 0.6, (1.0, 0.0): 0.25, (0.0, 1.0): 0.15}
"""How the legs at Ex+ and Ex- share the compensation, and about how common that is."""
LEGS = (0.1, 0.04)  # sum of both legs in parts of an arm: mean, standard deviation
REACH = 1.7  # factor between a nominal and what the readings look like

Candidates = tuple[tuple[ExpectedCell, float], ...]
"""Expected cells, each with its probability beforehand."""


def likely_cells(seen: Observed) -> Candidates:
    """Return what the cell could be by its readings alone. Raises ValueError without any."""
    looks = _looks_like(seen)
    near = {x: p for x, p in NOMINALS.items() if abs(np.log(x / looks)) < np.log(REACH)}
    if not near:
        near = {min(NOMINALS, key=lambda x: abs(np.log(x / looks))): 1.0}
    total = sum(near.values())
    return tuple(
        (_cell(seen, nominal, share), p * q / total)
        for nominal, p in near.items()
        for share, q in LAYOUTS.items()
    )


def _looks_like(seen: Observed) -> float:
    """Return about the nominal resistance: most readings lie near it whatever is wrong."""
    known = {INPUT: 1.13, OUTPUT: 1.01, **dict.fromkeys(ADJACENT_PAIRS, 0.8)}
    each = [
        seen.pairs[pair].ohms / part
        for pair, part in known.items()
        if pair in seen.pairs and 1.0 < seen.pairs[pair].ohms < 1e5
    ]
    if not each:
        raise ValueError("no reading of the bridge is between 1 ohm and 100 kohm")
    return float(np.median(each))


def _cell(seen: Observed, nominal: float, share: tuple[float, float]) -> ExpectedCell:
    legs = LEGS[0] * nominal
    return ExpectedCell(
        wires=seen.wires,
        arm_ohms=nominal,
        legs_ohms=(share[0] * legs, share[1] * legs),
        conductor_ohms=0.4,
        arm_uncertainty=0.005 * nominal,
        leg_uncertainty=LEGS[1] * nominal,
        conductor_uncertainty=0.3,
        zero_uncertainty=5e-5,
        celsius=22.0 if seen.celsius is None else seen.celsius,
        celsius_uncertainty=6.0 if seen.celsius is None else 1.0,
        shield_connected=None,
        inferred=True,
        source="nominal inferred from the readings",
    )
