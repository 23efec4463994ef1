"""Bridges, cables and loops: exact Wheatstone values, IEC 60228, IEC 60028, IEC 60381-1."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from acq.analysis.allan import allan_deviation
from acq.analysis.chain import IEC_60228_FLEXIBLE, conductor_ohms, current_for_ratio
from acq.analysis.leads import FOUR_WIRE_PAIRS, LeadPair
from acq.analysis.network import (
    BridgeElements,
    Delta,
    pair_resistances,
    predicted_zero,
    solve_delta,
)
from acq.validation.check import PublishedCheck

TEXTBOOK = "exact Wheatstone bridge, any textbook"
R60_SAMPLE = "OIML R 60:2021, Annex C, sample of 404 and 350 ohm"
NBS = "NBS Monograph 140, annex 8.E"
FREQUENCIES = (892.0, 809.0, 823.0, 798.0, 671.0, 644.0, 883.0, 903.0, 677.0)


def _pairs(arms: Sequence[float], leg: float = 0.0) -> dict[LeadPair, float]:
    elements = BridgeElements(np.array(arms, float), np.array([leg, leg]), np.zeros(6))
    ohms = pair_resistances(elements, FOUR_WIRE_PAIRS)
    return dict(zip(FOUR_WIRE_PAIRS, ohms.tolist(), strict=True))


def _zero(arms: Sequence[float]) -> float:
    return 1e3 * float(predicted_zero(_pairs(arms)))


def _delta() -> float:
    """Three insulations of 30 Gohm as a delta read 20 Gohm each; solved back, one is 30 again."""
    read = 1.0 / (1.0 / 30e9 + 1.0 / 60e9)
    return solve_delta(Delta(read, read, read)).leads_housing / 1e9


def _copper() -> float:
    metre = IEC_60228_FLEXIBLE[1.0]
    return conductor_ohms(1000.0, metre, 30.0) / conductor_ohms(1000.0, metre, 20.0)


CHECKS = (
    PublishedCheck(
        "adjacent pair of four 350 ohm arms", TEXTBOOK, 262.5, 1e-9, "ohm",
        lambda: _pairs([350.0] * 4)[LeadPair.read("Ex+ S+")],
    ),
    PublishedCheck(
        "adjacent pair with one open arm", TEXTBOOK, 1050.0, 1e-5, "ohm",
        lambda: _pairs([1e12, 350.0, 350.0, 350.0])[LeadPair.read("Ex+ S+")],
    ),
    PublishedCheck(
        "adjacent pair of a compensated bridge", R60_SAMPLE, 289.5, 1e-9, "ohm",
        lambda: _pairs([350.0] * 4, 27.0)[LeadPair.read("Ex+ S+")],
    ),
    PublishedCheck(
        "zero from six pairs, one arm 1 % up", TEXTBOOK, -2.4875621890547706, 1e-9, "mV/V",
        lambda: _zero([353.5, 350.0, 350.0, 350.0]),
    ),
    PublishedCheck(
        "zero from six pairs, four active arms of 1 %", TEXTBOOK, -10.0, 1e-9, "mV/V",
        lambda: _zero([353.5, 346.5, 346.5, 353.5]),
    ),
    PublishedCheck(
        "shunt of 59.88 kohm across 350 ohm", "common practice quotes 1.46 mV/V", 1.456998, 5e-7,
        "mV/V", lambda: _zero([350 * 59880 / 60230, 350.0, 350.0, 350.0]),
    ),
    PublishedCheck(
        "an insulation of three that form a delta", "series and parallel resistors, any textbook",
        30.0, 1e-9, "Gohm", _delta,
    ),
    PublishedCheck(
        "resistance of 1 km of 1 mm2, 20 degC", "IEC 60228, class 5", 19.5, 1e-9, "ohm",
        lambda: conductor_ohms(1000.0, IEC_60228_FLEXIBLE[1.0]),
    ),
    PublishedCheck(
        "copper, 10 K warmer", "IEC 60028: 0.00393 per K at 20 degC", 1.0393, 1e-9, "", _copper
    ),
    PublishedCheck(
        "loop current at 25 %", "IEC 60381-1", 8.0, 1e-9, "mA",
        lambda: 1e3 * current_for_ratio(0.25e-3, 0.0, 1e-3),
    ),
    PublishedCheck(
        "Allan deviation of nine frequencies", NBS, 91.22945, 1e-4, "",
        lambda: allan_deviation(FREQUENCIES, 1.0, (1,), overlapping=False)[0].deviation,
    ),
)  # fmt: skip
