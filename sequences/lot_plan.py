"""What a plan of a lot may say beside that of the acceptance test."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field, model_validator

from acq.cells.limit_plan import COMMON
from sequences.acceptance_plan import AcceptancePlan, Judged, Positive

BY_ONE = ("wiggle", "stability", "shunt", "hand_load", "active", "as_found", "history")
"""Steps at which a person stands at one cell."""


class LotTable(Judged):
    """Cells beside each other: how they share a dwell and the supply, and when one is held."""

    rule: str = "simple acceptance"
    held_beyond: Positive = 6.0  # robust standard deviations from the median of the lot
    held_source: str = COMMON
    least_cells: Annotated[int, Field(ge=5)] = 8  # fewer say nothing about one of them
    sound_ohms: Positive = 2.5e10  # what a sound cell reads at least: so many may be joined
    joined_margin: Annotated[float, Field(ge=1)] = 1.25  # of the limit, for them together
    guilty_below_share: Annotated[float, Field(gt=0, lt=1)] = 0.7  # of the limit, by difference
    joined_source: str = COMMON
    places_by_hand: Annotated[int, Field(ge=1)] = 4  # cells side by side where no scanner is
    shared_excitation: bool = True  # as many at once as the supply's maximum_amperes allows


class LotPlan(AcceptancePlan):
    """The whole plan of the sequence `lot`."""

    lot: LotTable = LotTable()

    @model_validator(mode="after")
    def _nobody_stands_at_one_cell(self) -> LotPlan:
        for name in BY_ONE:
            table: Any = getattr(self, name)
            if table is not None:
                raise ValueError(f"{name}: is done at one cell; use the sequence acceptance for it")
        if self.zero.reverse != "change-over":
            raise ValueError("zero.reverse: a lot is read at both polarities, by change-over")
        return self
