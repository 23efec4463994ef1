"""Tests that end in an event: what may be seen, and in which share of the cases of each fault.

The shares are assumptions of this program, as those of `further_evidence`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from acq.analysis.faults import Fault
from acq.analysis.further_evidence import FLEXING, UNDER_LOAD

LOAD_CAUTION = "10 to 20 % of capacity, guarded, nobody under the load"


@dataclass(frozen=True, slots=True)
class Event:
    """Something that a test may show, with its share of the cases by fault; else `by_chance`."""

    kind: str
    ask: str
    seen: str
    unseen: str
    shares: Mapping[Fault, float]
    by_chance: float = 0.03


EVENTS = (
    Event(
        "papers",
        "Compare the serial number and data plate with the papers",
        "they differ",
        "they agree",
        {Fault.WRONG_PAPERS: 0.95},
        0.01,
    ),
    Event(
        "look",
        "Measure the length of the cable with a tape",
        "it differs from the papers",
        "it agrees with them",
        {Fault.WRONG_CABLE_LENGTH: 0.98},
        0.02,
    ),
    Event(
        "ohms",
        "Repeat the pair that stands out with fresh clips",
        "it then agrees with the others",
        "it reads the same",
        {Fault.UNKNOWN: 0.8, Fault.LOOSE_JOINT: 0.5},
        0.02,
    ),
    Event(
        "ohms",
        "Measure Ex+ to Ex- again with the meter leads exchanged",
        "it reads differently",
        "it reads the same",
        {Fault.BUILT_IN_ELECTRONICS: 0.97},
        0.005,
    ),
    Event(
        "flex",
        "Flex the cable every half metre and at the gland while one pair is read fast",
        "the reading jumps",
        "it stands still",
        {**FLEXING["cable"], Fault.LOOSE_JOINT: 0.5},
        0.01,
    ),
    Event(
        "flex",
        "Tap the body lightly while one pair is read fast",
        "the reading jumps",
        "it stands still",
        FLEXING["body"],
        0.01,
    ),
    Event(
        "zero",
        "Read the zero at both polarities of the excitation, with copper clips, after two minutes",
        "a part of it does not follow the excitation",
        "all of it follows",
        {Fault.THERMAL_EMF: 0.97, Fault.MOISTURE_IN_CELL: 0.3, Fault.MOISTURE_IN_CABLE: 0.3},
        0.02,
    ),
    Event(
        "wait",
        "Let the cell soak beside the instruments for some hours and repeat",
        "the readings have moved to sound ones",
        "they stay",
        {Fault.NOT_SOAKED: 0.95},
        0.02,
    ),
    Event(
        "series",
        f"Load it off the centre in four places ({LOAD_CAUTION})",
        "the places differ",
        "they agree",
        UNDER_LOAD["off-centre error"],
    ),
    Event(
        "series",
        f"Load it for thirty minutes and unload it ({LOAD_CAUTION})",
        "it creeps far beyond its limit",
        "it does not",
        UNDER_LOAD["creep"],
    ),
    Event(
        "look",
        "Look for a crack with dye penetrant; do not load the cell",
        "a crack shows",
        "none shows",
        {Fault.FATIGUE_CRACK: 0.9},
        0.01,
    ),
    Event(
        "temperature",
        "Read the zero at two temperatures 20 K apart",
        "it moves far beyond its limit",
        "it does not",
        {Fault.ZERO_COMPENSATION_FAILED: 0.9, Fault.COMPENSATION_FAILED: 0.1},
    ),
    Event(
        "temperature",
        "Read the output under one load at two temperatures 20 K apart",
        "the span moves far beyond its limit",
        "it does not",
        {Fault.COMPENSATION_FAILED: 0.95},
    ),
    Event(
        "temperature",
        "Dry the body alone at 60 degC over night and repeat the insulation readings",
        "they have risen",
        "they have not",
        {Fault.MOISTURE_IN_CELL: 0.9, Fault.MOISTURE_IN_CABLE: 0.1},
    ),
    Event(
        "open",
        "Open the cable at the cell and repeat the readings there",
        "they are sound",
        "they are not",
        {
            Fault.OPEN_LEAD: 0.95,
            Fault.LEAD_SHORT: 0.95,
            Fault.DAMAGED_CABLE: 0.9,
            Fault.MOISTURE_IN_CABLE: 0.9,
            Fault.LOOSE_JOINT: 0.5,
            Fault.WRONG_CABLE_LENGTH: 0.95,
            Fault.OPEN_SENSE_LEAD: 0.95,
        },
        0.03,
    ),
)
