"""What a plan of the sequence `weighing-chain` may say. Units stand in the key's name."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from acq.runs.sequence import Plan
from drivers.written_file import Written
from sequences.acceptance_plan import Count, Judged, Positive

NotNegative = Annotated[float, Field(ge=0)]
Parts = tuple[float, ...]


class Feed(Written):
    """Points fed: parts of the transmitter's span, mA, and what the open input's volts decide."""

    points: Parts
    limits: Parts = ()
    at_box: Parts
    as_left: Parts
    current_points_ma: Parts
    current_limits_ma: Parts = ()
    failure_ma: Parts = ()
    sink_from_volts: Positive = 12.0
    sink_to_volts: Positive = 30.0
    dead_below_volts: Positive = 0.5
    source: str


class Loads(Written):
    """Known loads; 0 kg means that there is none on site."""

    spread_kilograms: NotNegative = 0.0
    corner_kilograms: NotNegative = 0.0
    uncertainty_kilograms: NotNegative = 0.0  # standard uncertainty


class WeighingChainPlan(Plan, Judged):
    """The whole plan of the sequence `weighing-chain`."""

    readings: Count = 3
    power_line_cycles: Positive = 10.0
    settle_s: Positive = 12.0
    log_minutes: NotNegative = 10.0
    log_interval_s: Positive = 120.0
    pulsed_share: Positive = 0.02
    pulsed_source: str
    feed: Feed
    loads: Loads = Loads()
