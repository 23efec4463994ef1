"""The `[cell]` table of a scenario: which invented cell, and how it differs from its papers."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator

from simulated_bench.papers import CELLS, Papers


class Written(BaseModel):
    """Base of every table of a scenario file: frozen, and unknown keys are mistakes."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class MoistureTable(Written):
    """Water behind the seal: content 0 to 1, time constants in s, conductance in S.

    `where`: at the gland it conducts mostly to the shield, in the cell to the housing.
    """

    where: Literal["gland", "cell"] = "gland"
    start: Annotated[float, Field(ge=0, le=1)] = 0.5
    seal_tau_s: Annotated[float, Field(gt=0)] = 30 * 86_400.0
    drying_tau_s: Annotated[float, Field(gt=0)] = 5 * 3600.0
    siemens: Annotated[float, Field(gt=0)] = 1e-7
    asymmetry: Annotated[float, Field(ge=-0.8, le=0.8)] = 0.25
    galvanic_volts: float = 0.15


class CellTable(Written):
    """The cell on the bench: one of the invented ones, with what differs from its papers.

    `serial` is what stands on its label. `drawn` draws its own values within the type's usual
    spread (a lot). `body_celsius` is its temperature when it arrives, the room's when absent.
    """

    papers: str = "B-011902"
    serial: str | None = None
    drawn: Annotated[int, Field(ge=0)] | None = None
    input_ohms: Annotated[float, Field(gt=0)] | None = None
    output_ohms: Annotated[float, Field(gt=0)] | None = None
    zero_mv_v: float | None = None
    other_zeros_mv_v: tuple[float, ...] | None = Field(default=None, max_length=2)
    rated_output_mv_v: Annotated[float, Field(gt=0)] | None = None
    insulation_ohms: Annotated[float, Field(gt=0)] | None = None
    wires: Literal[4, 6] | None = None
    cable_m: Annotated[float, Field(gt=0)] | None = None
    shield_to_housing_ohms: Annotated[float, Field(gt=0)] | None = None
    body_celsius: Annotated[float, Field(ge=-60, le=150)] | None = None
    housing_earth_ohms: Annotated[float, Field(gt=0)] = 1e11
    kilograms: float = 0.0
    electronics: bool = False
    moisture: MoistureTable | None = None

    @field_validator("papers")
    @classmethod
    def _known(cls, papers: str) -> str:
        if papers not in CELLS:
            raise ValueError(f"no cell {papers!r}; there are {', '.join(CELLS)}")
        return papers

    def promised(self) -> Papers:
        """Return what the papers say."""
        return CELLS[self.papers]
