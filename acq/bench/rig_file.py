"""What loads a cell, as a bench file says it: `[rig]` beside the bench's `[[weights]]`."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import Field, model_validator

from drivers.written_file import Written

Share = Annotated[float, Field(ge=0, lt=1)]


def dates_in_order(calibrated: date | None, due: date | None) -> None:
    """Raises ValueError when something is due before it was calibrated."""
    if calibrated and due and due < calibrated:
        raise ValueError(f"due {due} is before calibrated {calibrated}")


class ReferenceCell(Written):
    """The force standard in series with the cell, read by the role `reference-indicator` in N.

    `expanded_uncertainty_share` is that of cell and indicator together, of the force.
    """

    capacity_newtons: Annotated[float, Field(gt=0)]
    expanded_uncertainty_share: Share
    coverage_factor: Annotated[float, Field(gt=0)] = 2.0
    serial: str = ""
    certificate: str = ""
    laboratory: str = ""
    calibrated: date | None = None
    due: date | None = None

    @model_validator(mode="after")
    def _dates_in_order(self) -> ReferenceCell:
        dates_in_order(self.calibrated, self.due)
        return self


class Lever(Written):
    """A lever with weights: the force on the cell over that of the weights."""

    ratio: Annotated[float, Field(gt=0)]
    expanded_uncertainty_share: Share
    coverage_factor: Annotated[float, Field(gt=0)] = 2.0
    friction_share: Share = 0.0  # half width; knife edges, against the motion
    certificate: str = ""


class Rig(Written):
    """The loading rig and its place.

    `gravity` is surveyed; without it latitude and height give normal gravity, which differs from
    the real one by up to 0.05 % in mountains. It is only needed where a mass meets a force.
    """

    kind: Literal["weights", "hydraulic", "lever"] = "weights"
    description: str = ""
    most_kilograms: Annotated[float, Field(gt=0)] | None = None  # what the rig itself stands
    most_newtons: Annotated[float, Field(gt=0)] | None = None
    gravity: Annotated[float, Field(gt=9.7, lt=9.9)] | None = None  # m/s2
    gravity_expanded_uncertainty: Annotated[float, Field(ge=0)] | None = None
    gravity_source: str = ""
    latitude_deg: Annotated[float, Field(ge=-90, le=90)] | None = None
    height_m: Annotated[float, Field(ge=-500, le=10_000)] = 0.0
    air_density_half_width: Annotated[float, Field(ge=0)] = 0.1  # kg/m3 about 1.2
    tilt_degrees: Annotated[float, Field(ge=0, lt=10)] = 0.5  # of the load's axis, at most
    reference: ReferenceCell | None = None
    lever: Lever | None = None

    @model_validator(mode="after")
    def _complete(self) -> Rig:
        if self.kind == "hydraulic" and self.reference is None:
            raise ValueError("a hydraulic rig needs [rig.reference]: a manometer decides nothing")
        if self.kind == "lever" and self.lever is None:
            raise ValueError("a lever needs [rig.lever] with its ratio")
        return self
