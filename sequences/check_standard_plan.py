"""What a plan of the check-standard sequence may say: the acceptance plan's parts, and charts."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from drivers.written_file import Written
from sequences.acceptance_plan import AcceptancePlan, Count, Positive, Share


class Short(Written):
    """The meter's inputs joined at one lead: what it shows then is its own."""

    readings: Count = 5
    power_line_cycles: Positive = 10.0
    emf_volts: Annotated[float, Field(ge=0)]  # of the contacts in the way
    source: str


class Charts(Written):
    """Individuals and moving-range charts. A smallest sigma is what the instruments scatter."""

    points_at_least: Annotated[int, Field(ge=2)] = 8
    points_at_most: Annotated[int, Field(ge=2)] = 60
    smallest_sigma_ohms: Positive
    smallest_sigma_ratio: Positive  # V/V
    smallest_sigma_insulation: Share  # of the value
    source: str


class CheckStandardPlan(AcceptancePlan):
    """The whole plan of the sequence `check-standard`."""

    short: Short
    charts: Charts
