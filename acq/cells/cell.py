"""One cell on the bench: its serial, the sheet of its type, its own sheets, and what they allow."""

from __future__ import annotations

from typing import TYPE_CHECKING

from acq.analysis.leads import Lead, LeadPair, lead_pairs
from acq.cells.calibration_sheet import CalibrationSheet
from acq.cells.data_sheet import DataSheet
from acq.cells.paper_fields import Load
from acq.errors import WrongInput
from drivers.written_file import Written

if TYPE_CHECKING:
    from acq.cells.limits import Limits

HALF_BRIDGE_PAIRS = tuple(
    LeadPair.of(one, other) for one, other in (("Ex+", "Ex-"), ("Ex-", "S+"), ("Ex+", "S+"))
)
USUAL_EXCITATION = 10.0  # V, common practice on 350 ohm cells; 5 V where the sheet allows less
CURRENT_MARGIN = 2.0  # current limit over U / Rin: passes a healthy cell, stops a short


class Cell(Written):
    """Papers of one serial. Everything SI; None where the papers are blank.

    The JSON form (`model_dump(mode="json")`) validates back to an equal cell.
    """

    serial: str
    data_sheet: DataSheet
    calibration_sheets: tuple[CalibrationSheet, ...] = ()
    note: str = ""

    @property
    def sheet(self) -> CalibrationSheet | None:
        """The newest own calibration sheet; our own baseline only where there is no other."""
        newest = sorted(self.calibration_sheets, key=lambda sheet: (not sheet.ours, sheet.date))
        return newest[-1] if newest else None

    @property
    def limits(self) -> Limits:
        """Limits with the standard plan: `acq.cells.limits.Limits` takes another."""
        from acq.cells.limits import Limits

        return Limits(self)

    # leads

    @property
    def wires(self) -> int:
        """4 or 6. Raises WrongInput when no paper tells."""
        sheet = self.sheet
        wires = (sheet.wires if sheet else None) or self.data_sheet.cable.wires
        if wires is None:
            raise WrongInput(f"{self.data_sheet.name}: cable.wires is blank; write 4 or 6 there")
        return wires

    @property
    def leads(self) -> tuple[Lead, ...]:
        """The leads of the bridge, without shield and housing."""
        pairs = self.lead_pairs
        return tuple(lead for lead in Lead if any(lead in pair for pair in pairs))

    @property
    def lead_pairs(self) -> tuple[LeadPair, ...]:
        """The pairs to measure, in an order in which one clip moves per step."""
        if self.data_sheet.bridge == "half":
            return HALF_BRIDGE_PAIRS
        return lead_pairs(self.wires)

    @property
    def lead_ohms(self) -> float | None:
        """Resistance of one conductor of the cable, ohm."""
        length = self.sheet.cable_length if self.sheet else None
        cable = self.data_sheet.cable
        return (cable.model_copy(update={"length": length}) if length else cable).lead_ohms

    # what the cell gives

    @property
    def capacity(self) -> Load | None:
        """Maximum capacity."""
        return (self.sheet.capacity if self.sheet else None) or self.data_sheet.capacity

    @property
    def rated_output(self) -> float | None:
        """V/V: of the own sheet, else nominal of the type."""
        if self.sheet is not None and self.sheet.rated_output is not None:
            return self.sheet.rated_output
        nominal = self.data_sheet.rated_output
        return None if nominal is None else nominal.best

    # what may be done to it

    @property
    def lowest_input_resistance(self) -> float | None:
        """The lowest input resistance that the papers promise, ohm. Never a measured one."""
        span = self.data_sheet.input_resistance
        if span is not None and (span.lower or span.best):
            return span.lower or span.best
        return self.sheet.input_resistance if self.sheet else None

    @property
    def maximum_excitation(self) -> float | None:
        """V that must not be exceeded: of the data sheet, a hazardous-area marking, its power."""
        bounds = [self.data_sheet.excitation_maximum]
        area = self.data_sheet.hazardous_area
        if area is not None:
            bounds.append(area.maximum_voltage)
            if area.maximum_power is not None and self.lowest_input_resistance:
                bounds.append((area.maximum_power * self.lowest_input_resistance) ** 0.5)
        known = [volts for volts in bounds if volts is not None]
        return min(known) if known else None

    @property
    def excitation(self) -> float:
        """V at the cell: that of the own sheet, else 10 V, 5 V where the papers allow less."""
        maximum = self.maximum_excitation
        wanted = self.sheet.excitation if self.sheet else None
        if wanted is None:
            recommended = self.data_sheet.excitation
            top = recommended.upper if recommended and recommended.upper else USUAL_EXCITATION
            wanted = min(USUAL_EXCITATION, top)
            if maximum is None or maximum < USUAL_EXCITATION:
                wanted = min(wanted, USUAL_EXCITATION / 2.0)
        return wanted if maximum is None else min(wanted, maximum)

    def current_limit(self, volts: float) -> float:
        """Return the supply's current limit in A, from the papers' lowest input resistance.

        Raises WrongInput when the papers give none: a limit from a measured fault would be none.
        """
        ohms = self.lowest_input_resistance
        if not ohms:
            raise WrongInput(
                f"{self.serial}: no paper gives an input resistance, so no current limit "
                f"can be set; add input_resistance to {self.data_sheet.name}"
            )
        limit = CURRENT_MARGIN * abs(volts) / ohms
        area = self.data_sheet.hazardous_area
        if area is not None and area.maximum_current is not None:
            return min(limit, area.maximum_current)
        return limit

    @property
    def insulation_voltage(self) -> float:
        """V DC for the insulation test: 50 V or what the papers allow, whichever is lower."""
        sheet = self.data_sheet
        stated = (sheet.insulation_voltage, sheet.insulation_voltage_maximum)
        return min(50.0, *(volts for volts in stated if volts is not None), 50.0)

    @property
    def insulation_objection(self) -> str | None:
        """Why there must be no insulation test with this cell, or None."""
        sheet = self.data_sheet
        if sheet.electronics == "unknown":
            return "the papers do not say whether electronics is built in"
        allowed = bool(sheet.insulation_procedure) and sheet.insulation_voltage_maximum is not None
        if sheet.electronics != "none" and not allowed:
            return (
                f"it has {_article(sheet.electronics)} and no voltage and procedure on its papers"
            )
        if sheet.gauges in ("semiconductor", "thin film") and not allowed:
            return f"{sheet.gauges} gauges, and no voltage and procedure on its papers"
        area = sheet.hazardous_area
        if area is not None and area.insulation_allowed is not True:
            return f"marked {area.marking}, and its papers do not allow an insulation test"
        return None

    @property
    def bridge_objection(self) -> str | None:
        """Why ohms and a plain excitation do not apply, or None for a passive bridge."""
        if self.data_sheet.electronics == "unknown":
            return "the papers do not say whether electronics is built in"
        if not self.data_sheet.passive:
            return f"it has {_article(self.data_sheet.electronics)}: it needs its own route"
        return None

    @property
    def reversal_objection(self) -> str | None:
        """Why the excitation must not be reversed, or None."""
        if self.data_sheet.electronics in ("none", "surge protection"):
            return None
        if self.data_sheet.electronics == "unknown":
            return "the papers do not say whether electronics is built in"
        return f"it has {_article(self.data_sheet.electronics)}"

    def direction_objection(self, direction: str) -> str | None:
        """Why the cell must not be loaded in "tension", "compression" or "both", or None.

        Where the data sheet does not say how it is loaded, nothing is refused.
        """
        loading = self.data_sheet.loading
        if direction not in _DIRECTIONS or loading is None or direction in _ALLOWED[loading]:
            return None
        return f'{self.data_sheet.name} says loading "{loading}"; "{direction}" could break it'


_DIRECTIONS = ("tension", "compression", "both")
_ALLOWED = {
    "compression": ("compression",),
    "tension": ("tension",),
    "beam": ("tension", "compression"),  # one of them: how it is mounted says which
    "universal": _DIRECTIONS,
}


def _article(electronics: str) -> str:
    return {
        "amplifier": "a built-in amplifier",
        "digital": "built-in digital electronics",
        "identification memory": "an identification memory",
        "surge protection": "surge protection parts",
    }.get(electronics, electronics)
