"""What a plan says about limits: which source decides, and the allowances with their sources."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from drivers.written_file import Written

Source = Literal["data sheet", "own calibration sheet", "history", "lot"]
ORDER: tuple[Source, ...] = ("data sheet", "own calibration sheet", "history", "lot")
COMMON = "common practice, no source"
MEMORY = "from memory, unconfirmed"


class LimitPlan(Written):
    """What a plan says about limits. Allowances are the plan's, each with its source."""

    decides: Source = "data sheet"
    own_sheet_ohms: float = Field(default=0.5, ge=0)
    own_sheet_ohms_source: str = COMMON
    input_percent_per_kelvin: float = Field(default=0.05, ge=0)
    output_percent_per_kelvin: float = Field(default=0.01, ge=0)
    temperature_source: str = MEMORY
    unknown_temperature_kelvins: float = Field(default=5.0, ge=0)
    own_sheet_zero_percent: float = Field(default=1.0, ge=0)  # of the rated output
    own_sheet_zero_source: str = COMMON
    own_sheet_output_percent: float = Field(default=0.1, ge=0)
    own_sheet_output_source: str = COMMON
    own_sheet_shunt_percent: float = Field(default=0.2, ge=0)  # of the shunt output
    own_sheet_shunt_source: str = COMMON
    own_sheet_characteristic_percent: float = Field(default=0.02, ge=0)  # of the output
    own_sheet_characteristic_source: str = COMMON
    derived_pair_ohms: float = Field(default=1.0, ge=0)  # how unlike the two legs may be
    derived_pair_source: str = COMMON
    sense_loop_percent: float = Field(default=20.0, ge=0)
    sense_loop_ohms: float = Field(default=0.3, ge=0)  # clips and strands
    sense_loop_source: str = COMMON
    insulation_ohms: float | None = Field(default=None, gt=0)  # where the papers are silent
    insulation_source: str = COMMON
    shield_insulation_ohms: float | None = Field(default=None, gt=0)
    shield_insulation_source: str = COMMON
