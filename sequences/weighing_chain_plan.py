"""What a plan of the sequence `weighing-chain` may say. Units stand in the key's name.

Each value that decides something has a `source` beside it.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

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


class StandIn(Written):
    """What stands on the excitation while mV/V are fed, and what holds the source in the middle.

    `load` "cells": they stay on their excitation. "resistors": they come off, and two equal
    resistors in series take their place, `load_ohms` together; 0 means the input resistance of
    the group by its sheets. `common_mode` "cells": S- stays on the cells, whose bridges are
    these two resistors; "middle": the source's minus is tied to the middle of the resistors;
    "floating": nothing holds it, which counts in the budget. `source_ohms` is the source's own
    resistance, divided by the transmitter's input (chain file). Further than `off_middle` of the
    excitation from its middle the source does not float, and nothing is fed.
    """

    load: Literal["cells", "resistors"] = "cells"
    load_ohms: NotNegative = 0.0
    common_mode: Literal["cells", "middle", "floating"] = "cells"
    source_ohms: NotNegative = 0.0
    off_middle: Positive = 0.05
    alive_share: Positive = 0.05  # of the excitation: with less there is none to refer a ratio to
    source: str

    @model_validator(mode="after")
    def _fits(self) -> Self:
        held = {"cells": "cells", "middle": "resistors"}.get(self.common_mode, self.load)
        if held != self.load:
            raise ValueError(f'common_mode "{self.common_mode}" needs load "{held}"')
        return self


class Limits(Written):
    """What the source may never put out, and how fine it must be for what it decides."""

    current_when_feeding_volts_ma: Positive = 10.0
    voltage_when_feeding_current: Positive = 24.0
    fit_share: Positive = 1.0 / 3.0  # U of source and meter against the tolerance
    source: str


class ColdOhms(Written):
    """c12: each cell's ohms and insulation at the box, supply off and cell disconnected.

    `dead_below_volts` proves it; 0 V of `insulation_volts` leaves the insulation out.
    """

    measure: bool = True
    dead_below_volts: Positive = 0.05
    insulation_volts: NotNegative = 0.0
    insulation_seconds: Positive = 60.0
    insulation_at_least_ohms: Positive = 1e9
    insulation_accuracy_share: Positive = 0.1  # standard uncertainty of a tester by hand
    source: str


class Loads(Written):
    """Known loads; 0 kg means that there is none on site. As left the same once more."""

    spread_kilograms: NotNegative = 0.0
    corner_kilograms: NotNegative = 0.0
    as_left_kilograms: NotNegative = 0.0
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
    log_minutes_as_left: NotNegative = 0.0
    joints_share: NotNegative = 5e-5
    joints_source: str
    feed: Feed
    stand_in: StandIn
    limits: Limits
    ohms: ColdOhms
    loads: Loads = Loads()
