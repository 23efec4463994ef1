"""The data sheet of a type: what its maker promises of every piece. Any field may be blank."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field, model_validator

from acq.analysis.leads import ARMS, Lead
from acq.cells.paper_fields import (
    Amperes,
    AmpereSpan,
    Area,
    CelsiusSpan,
    Fraction,
    Hertz,
    Loads,
    Metres,
    NewtonMetres,
    Ohms,
    OhmSpan,
    OhmsPerMetre,
    PerKelvin,
    RatioSpan,
    Volts,
    VoltSpan,
    Watts,
    Wires,
)
from acq.cells.paper_units import RATIO, of_output, ratio
from acq.cells.span import Span, read_span
from drivers.written_file import Written

Electronics = Literal[
    "none", "amplifier", "digital", "identification memory", "surge protection", "unknown"
]
Layout = Literal["symmetrical", "one-sided Ex+", "one-sided Ex-", "none", "unknown"]

COPPER_OHM_MM2_PER_M = 0.0175  # near 20 degC, as cable tables of the trade round it


class Cable(Written):
    """The cable that belongs to the cell; on a 4-wire cell it is part of the calibration."""

    wires: Wires = None
    length: Metres = None
    conductor_area: Area = None
    resistance: OhmsPerMetre = None
    colours: dict[Lead, str] = Field(default_factory=dict)  # as this cell's papers have them

    @property
    def lead_ohms(self) -> float | None:
        """Resistance of one conductor, ohm; None when the papers do not tell."""
        per_metre = self.resistance
        if per_metre is None and self.conductor_area:
            per_metre = COPPER_OHM_MM2_PER_M / self.conductor_area
        if per_metre is None or self.length is None:
            return None
        return per_metre * self.length


class Compensation(Written):
    """Where the span compensation lies in the excitation legs; `leg` is one leg's resistance."""

    layout: Layout = "unknown"
    leg: Ohms = None


class Shunt(Written):
    """A calibration resistor that is known for an arm: inside on a lead of its own, or outside.

    Linking `lead` to `linked_to` puts it across the arm; without a lead of its own the resistor is
    held across the arm's leads. `output` is the change of output that it makes.
    """

    arm: Literal["A", "B", "C", "D"]
    lead: str = ""  # as its label has it
    linked_to: Lead | None = None
    resistance: OhmSpan = None
    output: RatioSpan = None

    @property
    def objection(self) -> str:
        """What contradicts itself in it; empty where nothing does."""
        if self.lead and self.linked_to not in ARMS[self.arm]:
            ends = " or ".join(ARMS[self.arm])
            return f"linked_to: a lead of its own is linked to {ends} for arm {self.arm}"
        if not self.lead and (self.linked_to or self.resistance is None):
            return "lead: blank, so resistance is needed and linked_to has no meaning"
        return ""


class HazardousArea(Written):
    """What the marking of a cell for explosive atmospheres allows; copied, never interpreted."""

    marking: str
    maximum_voltage: Volts = None  # Ui
    maximum_current: Amperes = None  # Ii
    maximum_power: Watts = None  # Pi
    insulation_allowed: bool | None = None  # None: the papers do not say, so no


class DataSheet(Written):
    """One type. Names of keys are the trade's; SI inside, see `paper_fields`."""

    type: str
    revision: str = ""
    note: str = ""
    construction: str = ""
    loading: Literal["compression", "tension", "beam", "universal"] | None = None
    accuracy_class: str = ""
    capacity: Loads = None
    minimum_dead_load: Loads = None
    safe_load: Fraction = None  # of the capacity
    ultimate_load: Fraction = None
    y: float | None = Field(default=None, gt=0)
    z: float | None = Field(default=None, gt=0)
    apportioning_factor: float | None = Field(default=None, gt=0, le=1)

    rated_output: RatioSpan = None
    zero_balance: RatioSpan = None  # given in mV/V or %RO
    combined_error: Fraction = None
    non_linearity: Fraction = None
    hysteresis: Fraction = None
    repeatability: Fraction = None
    creep_30_min: Fraction = None
    zero_return: Fraction = None
    off_centre_error: Fraction = None
    temperature_effect_zero: PerKelvin = None
    temperature_effect_span: PerKelvin = None
    compensated_temperature: CelsiusSpan = None
    operating_temperature: CelsiusSpan = None

    input_resistance: OhmSpan = None
    output_resistance: OhmSpan = None
    insulation_resistance: OhmSpan = None
    insulation_voltage: Volts = None  # at which the limit is stated
    insulation_voltage_maximum: Volts = None
    insulation_procedure: str = ""  # for cells that must not be tested the usual way
    excitation: VoltSpan = None  # recommended
    excitation_maximum: Volts = None

    bridge: Literal["full", "half"] = "full"
    bridges: int = Field(default=1, ge=1, le=3)
    gauges: Literal["foil", "semiconductor", "thin film", "unknown"] = "unknown"
    electronics: Electronics = "unknown"  # unknown is not "none": the route is decided by a person
    supply_current: AmpereSpan = None  # of built-in electronics
    compensation: Compensation = Compensation()
    shunt: Shunt | None = None
    shield_to_housing: Literal["connected", "not connected", "unknown"] = "unknown"
    cable: Cable = Cable()
    hazardous_area: HazardousArea | None = None

    deflection: Metres = None
    natural_frequency: Hertz = None
    mounting_torque: NewtonMetres = None
    platform: str = ""
    material: str = ""
    protection: str = ""
    humidity_symbol: Literal["CH", "SH", "NH"] | None = None

    @model_validator(mode="before")
    @classmethod
    def _output_in_percent(cls, table: Any) -> Any:
        """Turn a zero balance in %RO into V/V, which takes the rated output of the same sheet."""
        if not isinstance(table, dict) or not isinstance(table.get("zero_balance"), str):
            return table
        text = table["zero_balance"]
        if not text.strip():
            return table
        try:
            return table | {"zero_balance": read_span(text, of_output(_nominal_output(table)))}
        except ValueError as error:
            raise ValueError(f"zero_balance: {error}") from None

    @model_validator(mode="after")
    def _shunt_is_linked(self) -> DataSheet:
        if self.shunt is not None and (objection := self.shunt.objection):
            raise ValueError(f"shunt: {objection}")
        return self

    @property
    def name(self) -> str:
        """The sheet as limits cite it."""
        return f"data sheet {self.type}" + (f" rev {self.revision}" if self.revision else "")

    @property
    def passive(self) -> bool:
        """Tell whether leads show the bridge itself, with nothing built in between."""
        return self.electronics not in ("amplifier", "digital")


def _nominal_output(table: dict[str, Any]) -> float | None:
    given = table.get("rated_output")
    if isinstance(given, Span):
        return given.best
    if not isinstance(given, str) or not given.strip():
        return None
    try:
        return read_span(given, RATIO, lambda text, _: ratio(text)).best
    except ValueError:
        return None  # the field itself says what is wrong with it
