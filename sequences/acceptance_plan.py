"""What a plan of the acceptance test may say. Units stand in the key's name, else SI.

Every value that no printed source gives has a key `source` beside it. A table that is left out
is a step that this plan does not do.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, field_validator

from acq.cells.limit_plan import COMMON, LimitPlan
from acq.errors import WrongInput
from acq.readings.conformity import Rule
from acq.runs.sequence import Plan
from drivers.written_file import Written

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Count = Annotated[int, Field(ge=1)]
Share = Annotated[float, Field(gt=0)]
When = Literal["always", "with relays", "never"]
Arm = Literal["A", "B", "C", "D"]


class Judged(Written):
    """A check whose findings are judged: the rule, and how large U may be to decide."""

    rule: str = "four statements"
    largest_uncertainty_share: Share = 1 / 3

    @field_validator("rule", "agreement_rule", check_fields=False)
    @classmethod
    def _known(cls, rule: str) -> str:
        try:
            Rule.named(rule)
        except WrongInput as error:
            raise ValueError(str(error)) from None
        return rule


class Soak(Written):
    """Cell at room temperature: its input resistance stands still over the window."""

    every_s: Positive = 15.0
    window_s: Positive = 90.0
    drift_share: Positive = 1e-5  # of the resistance, over the window
    spread_share: Positive = 5e-5
    at_most_s: Positive = 1800.0
    source: str = COMMON


class Resistance(Judged):
    """The pairs of leads: repeats until they agree, adjacent pairs there and back."""

    readings: Count = 3
    readings_at_most: Count = 9
    agree_within_ohms: Positive = 0.01
    passes_within_ohms: Positive = 0.02
    agree_source: str = COMMON
    power_line_cycles: Positive = 10.0
    open_above_ohms: Positive = 1e5
    short_below_share: Annotated[float, Field(gt=0, lt=1)] = 0.1
    gate_source: str
    sense_pairs: Literal["all", "loops"] = "all"  # of a 6-wire cell
    backward: When = "with relays"  # adjacent pairs a second time, in the other order
    both_polarities: When = "with relays"  # of a meter without offset compensation
    emf_ohms: NotNegative = 0.005  # what an EMF adds where neither is done
    emf_source: str = "common practice, no source: 5 uV at a test current of 1 mA"
    conductors_unlike_share: NotNegative = 0.05  # sense against excitation conductor
    cable_unlike_share: NotNegative = 0.2  # a cable against its papers
    cable_source: str = COMMON


class Insulation(Judged):
    """The paths to housing and shield, with the tester's voltage read back."""

    volts: Positive = 50.0
    dwell_s: Positive = 60.0
    early_s: Annotated[float, Field(ge=0)] = 15.0  # for the trend; 0: not read
    doubtful_below_ohms: NotNegative = 0.0  # below it the test is repeated with reversed polarity
    apart_above_ohms: Positive = 1e6  # by multimeter, before any test voltage
    lowest_volts_share: Annotated[float, Field(gt=0, le=1)] = 0.9
    highest_volts_share: Annotated[float, Field(ge=1)] = 1.25
    volts_uncertainty_share: NotNegative = 0.03
    source: str


class Excitation(Written):
    """From a first volt to full excitation, and when the zero stands still."""

    first_volts: Annotated[float, Field(gt=0, le=1.0)] = 1.0
    volts: Positive = 10.0
    current_agreement_share: Annotated[float, Field(gt=0, lt=1)] = 0.1
    warm_up_s: NotNegative = 900.0
    warm_up_at_most_s: Positive = 3600.0
    stable_window_s: Positive = 120.0
    stable_drift_ratio: Positive = 8e-8
    stable_spread_ratio: Positive = 4e-7
    stable_source: str


class Zero(Judged):
    """Zero balance at both polarities, or on, off and on again."""

    readings: Annotated[int, Field(ge=2)] = 5
    power_line_cycles: Positive = 10.0
    settle_s: NotNegative = 30.0
    reverse: Literal["change-over", "on-off-on"] = "change-over"
    emf_volts: Positive = 1e-5
    emf_source: str
    agreement_rule: str = "guarded rejection, w = 0.5 U"  # of zero and lead pairs


class SupplyCurrent(Judged):
    """A third look at the input resistance: the supply's own ammeter at full excitation."""

    rule: str = "simple acceptance"
    largest_uncertainty_share: Share = 1.0


class Wiggle(Written):
    """A fast log while the cable is flexed and the body tapped."""

    pairs: tuple[str, ...] = ("Ex+ Ex-", "Ex+ S+", "S+ S-")
    places: tuple[Literal["gland", "cable", "body"], ...] = ("gland", "cable", "body")
    seconds: Positive = 20.0  # at each place
    power_line_cycles: Positive = 1.0
    every_s: NotNegative = 0.25
    jump_ohms: Positive = 0.05
    source: str


class Stability(Judged):
    """The zero logged under excitation: drift, noise peak to peak, steps."""

    seconds: Positive = 600.0
    every_s: Positive = 10.0
    by_hand_every_s: Positive = 60.0  # of a meter that a person reads
    drift_percent_per_minute: Positive = 0.002  # of the rated output
    noise_percent: Positive = 0.02
    step_percent: Positive = 0.02
    source: str


class ShuntCheck(Written):
    """A known resistor across a named arm: it moves the zero by what the network demands."""

    arm: Arm = "C"
    ohms: Positive
    ohms_uncertainty: Positive  # expanded, k = 2
    seconds: Positive = 30.0  # how long it stays on
    source: str


class HandLoad(Judged):
    """A small load by hand: sign and proportion, before any rig."""

    kilograms: Positive | None = None  # None: asked
    settle_s: NotNegative = 10.0
    agree_percent: Positive = 5.0  # of the expected output
    return_percent: Positive = 0.05  # of the rated output
    at_most_percent: Annotated[float, Field(gt=0, le=30)] = 20.0  # of the capacity
    source: str


class HistoryPlan(Written):
    """Limits about what this serial read before on this bench."""

    most: Count = 5
    ohms: Positive = 0.1
    zero_percent: Positive = 0.5  # of the rated output
    source: str = COMMON


class Active(Judged):
    """A cell with built-in electronics: its own route."""

    volts: Positive | None = None  # None: as recommended on its papers
    output: Literal["V", "mA", "digits"] = "V"
    zero: float | None = None  # in that unit, expected without load
    zero_tolerance: Positive | None = None
    warm_up_s: NotNegative = 300.0
    readings: Count = 5
    source: str


class AcceptancePlan(Plan):
    """The whole plan of the sequence `acceptance`."""

    limits: LimitPlan = LimitPlan()
    history: HistoryPlan | None = None
    soak: Soak | None = None
    resistance: Resistance
    wiggle: Wiggle | None = None
    insulation: Insulation
    excitation: Excitation
    supply_current: SupplyCurrent = SupplyCurrent()
    zero: Zero
    stability: Stability | None = None
    shunt: ShuntCheck | None = None
    hand_load: HandLoad | None = None
    active: Active | None = None
    as_found: Any = None  # a load series, see load_plan.Series

    @field_validator("as_found")
    @classmethod
    def _series(cls, table: Any) -> Any:
        from sequences.load_plan import Series  # it builds on this file

        return None if table is None else Series.model_validate(table)
