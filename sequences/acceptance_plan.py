"""What a plan of the acceptance test may say. Units stand in the key's name, else SI."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, field_validator

from acq.cells.limit_plan import LimitPlan
from acq.errors import WrongInput
from acq.readings.conformity import Rule
from acq.runs.sequence import Plan
from drivers.written_file import Written

Positive = Annotated[float, Field(gt=0)]
Count = Annotated[int, Field(ge=1)]
Share = Annotated[float, Field(gt=0)]


class Judged(Written):
    """A check whose findings are judged: the rule, and how large U may be to decide."""

    rule: str = "four statements"
    largest_uncertainty_share: Share = 1 / 3

    @field_validator("rule")
    @classmethod
    def _known(cls, rule: str) -> str:
        try:
            Rule.named(rule)
        except WrongInput as error:
            raise ValueError(str(error)) from None
        return rule


class Resistance(Judged):
    readings: Count = 3
    power_line_cycles: Positive = 10.0
    open_above_ohms: Positive = 1e5
    short_below_share: Annotated[float, Field(gt=0, lt=1)] = 0.1
    gate_source: str


class Insulation(Judged):
    volts: Positive = 50.0
    dwell_s: Positive = 60.0
    source: str


class Excitation(Written):
    first_volts: Annotated[float, Field(gt=0, le=1.0)] = 1.0
    volts: Positive = 10.0
    current_agreement_share: Annotated[float, Field(gt=0, lt=1)] = 0.1
    warm_up_s: Annotated[float, Field(ge=0)] = 900.0
    warm_up_at_most_s: Positive = 3600.0
    stable_window_s: Positive = 120.0
    stable_drift_ratio: Positive = 8e-8
    stable_spread_ratio: Positive = 4e-7
    stable_source: str


class Zero(Judged):
    readings: Annotated[int, Field(ge=2)] = 5
    power_line_cycles: Positive = 10.0
    settle_s: Annotated[float, Field(ge=0)] = 30.0
    emf_volts: Positive = 1e-5
    emf_source: str


class AcceptancePlan(Plan):
    """The whole plan of the sequence `acceptance`."""

    limits: LimitPlan = LimitPlan()
    resistance: Resistance
    insulation: Insulation
    excitation: Excitation
    zero: Zero
