"""What the plans of `live` and `log` say: how the cell is excited, how fast and how it is read."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from drivers.written_file import Written
from sequences.acceptance_plan import AcceptancePlan, Insulation, Positive

NotNegative = Annotated[float, Field(ge=0)]
Share = Annotated[float, Field(gt=0, le=1)]
By = Literal["best", "second-dmm", "dmm", "supply", "none"]


class ReadingPlan(AcceptancePlan):
    """Leads and first volt as in the acceptance test; nothing is insulated."""

    insulation: Insulation = Insulation(source="not tested here")


class Logging(Written):
    """How long and how fast is read.

    `block_readings` readings at once where the meter can; 0 for one by one. `every_s` 0 is as fast
    as the instruments give. What is not the signal is read every `slow_every_s`; `excitation_by`
    "best" takes a second meter, else the meter itself between single readings, else the supply's
    own, so that blocks go on. Each `part_s` the journal notes the log's digest.
    """

    seconds: Positive = 3600.0
    power_line_cycles: Positive = 0.02
    automatic_zero: bool = False
    block_readings: Annotated[int, Field(ge=0)] = 500
    every_s: NotNegative = 0.0
    slow_every_s: Positive = 60.0
    excitation_by: By = "best"
    excited: bool = True
    part_s: Positive = 3600.0
    gap_s: Positive = 0.1
    lost_at_most_s: NotNegative = 600.0


class LogPlan(ReadingPlan):
    """The whole plan of the sequence `log`."""

    log: Logging = Logging()


class Weighing(Written):
    """What a live display may do. Shares are of the maximum capacity."""

    power_line_cycles: Positive = 1.0
    excitation_every_s: Positive = 5.0
    filter: str = "median 5 mean 8"
    stable_window_s: Positive = 2.0
    stable_divisions: Positive = 1.0
    frozen_after_s: Positive = 10.0
    divisions: Annotated[int, Field(ge=10)] = 10000
    zero_limit_share: Share = 0.04
    zero_source: str = "common practice, no source: zero trim within 4 % of capacity"
    span_good_share: Share = 0.01
    span_limit_share: Share = 0.07
    span_source: str = "common practice, no source: a trim above 7 % hides another problem"
    part_s: Positive = 3600.0
    seconds: NotNegative = 0.0
    show_every_s: Positive = 0.25
    gravity: Positive | None = None  # m/s2 of the place; without it no N for a cell in kg


class LivePlan(ReadingPlan):
    """The whole plan of the sequence `live`."""

    weighing: Weighing = Weighing()
