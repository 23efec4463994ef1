"""The faults that a diagnosis may name, and where on the cell they sit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from acq.analysis.leads import ARMS, LEAD_ORDER, Lead


class Fault(StrEnum):
    """What is wrong. `unknown` and `none-found` are answers, too."""

    OPEN_LEAD = "open-lead"
    OPEN_SENSE_LEAD = "open-sense-lead"
    LEAD_SHORT = "lead-short"
    OPEN_ARM = "open-arm"
    SHORTED_ARM = "shorted-arm"
    ARM_CHANGED = "arm-changed"
    DAMAGED_CABLE = "damaged-cable"
    MOISTURE_IN_CELL = "moisture-in-cell"
    MOISTURE_IN_CABLE = "moisture-in-cable"
    SHIELD_TO_HOUSING = "shield-to-housing"
    PLASTIC_SET = "plastic-set"
    SIDE_LOAD_SET = "side-load-set"
    FATIGUE_CRACK = "fatigue-crack"
    BOND_FAILURE = "bond-failure"
    SWAPPED_LEADS = "swapped-leads"
    COMPENSATION_FAILED = "compensation-failed"
    ZERO_COMPENSATION_FAILED = "zero-compensation-failed"
    LOOSE_JOINT = "loose-joint"
    NOT_SOAKED = "not-soaked"
    THERMAL_EMF = "thermal-emf"
    WRONG_CABLE_LENGTH = "wrong-cable-length"
    WRONG_PAPERS = "wrong-papers"
    BUILT_IN_ELECTRONICS = "built-in-electronics"
    NONE_FOUND = "none-found"
    UNKNOWN = "unknown"


MEANING: Mapping[Fault, str] = {
    Fault.OPEN_LEAD: "a conductor is interrupted",
    Fault.OPEN_SENSE_LEAD: "a sense conductor is interrupted",
    Fault.LEAD_SHORT: "two conductors touch",
    Fault.OPEN_ARM: "an arm of the bridge is interrupted",
    Fault.SHORTED_ARM: "an arm of the bridge is bridged",
    Fault.ARM_CHANGED: "an arm of the bridge has changed its resistance",
    Fault.DAMAGED_CABLE: "the cable is damaged: readings move when it is flexed",
    Fault.MOISTURE_IN_CELL: "moisture in the cell: a path from the bridge to the housing",
    Fault.MOISTURE_IN_CABLE: "moisture in the cable or gland: a path from the leads to the shield",
    Fault.SHIELD_TO_HOUSING: "the shield touches the housing",
    Fault.PLASTIC_SET: "the spring body keeps a set: overloaded",
    Fault.SIDE_LOAD_SET: "the spring body keeps a set from a side load or twist",
    Fault.FATIGUE_CRACK: "the spring body is cracked",
    Fault.BOND_FAILURE: "a gauge has come off",
    Fault.SWAPPED_LEADS: "leads are exchanged",
    Fault.COMPENSATION_FAILED: "a span compensation resistor is shorted, open or changed",
    Fault.ZERO_COMPENSATION_FAILED: "a zero compensation resistor has failed",
    Fault.LOOSE_JOINT: "a joint is loose",
    Fault.NOT_SOAKED: "the cell has not the temperature of the room",
    Fault.THERMAL_EMF: "a thermal voltage in the measuring chain, not in the cell",
    Fault.WRONG_CABLE_LENGTH: "the cable has another length than the papers say",
    Fault.WRONG_PAPERS: "the cell is sound but the papers belong to another one",
    Fault.BUILT_IN_ELECTRONICS: "electronics are built in: no bridge can be seen at the leads",
    Fault.NONE_FOUND: "nothing found",
    Fault.UNKNOWN: "the readings fit none of the known faults",
}

ARM_FAULTS = frozenset(
    {Fault.OPEN_ARM, Fault.SHORTED_ARM, Fault.ARM_CHANGED, Fault.ZERO_COMPENSATION_FAILED}
)


SAY_THEIR_PLACE = frozenset(
    {Fault.MOISTURE_IN_CELL, Fault.MOISTURE_IN_CABLE, Fault.SHIELD_TO_HOUSING}
)


@dataclass(frozen=True, slots=True)
class FaultAt:
    """A fault and its place: leads in their usual order; none when it has no single place."""

    fault: Fault
    where: tuple[Lead, ...] = ()

    def __post_init__(self) -> None:
        in_order = tuple(sorted(self.where, key=LEAD_ORDER.__getitem__))
        object.__setattr__(self, "where", in_order)

    def __str__(self) -> str:
        return " ".join((self.fault, *self.where))

    @property
    def place(self) -> str:
        """The place in words: `arm A (Ex+ to S+)`, `Ex+`, `Ex+ and S+`; nothing where the fault
        says it itself.
        """
        if self.fault in SAY_THEIR_PLACE:
            return ""
        for arm, leads in ARMS.items():
            at_arm = self.fault in ARM_FAULTS or self.fault is Fault.LOOSE_JOINT
            if at_arm and self.where == leads:
                return f"arm {arm} ({leads[0]} to {leads[1]})"
        if len(self.where) < 2:
            return "".join(self.where)
        return f"{', '.join(self.where[:-1])} and {self.where[-1]}"


NONE_FOUND = FaultAt(Fault.NONE_FOUND)
UNKNOWN = FaultAt(Fault.UNKNOWN)
