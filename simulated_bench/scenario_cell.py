"""The `[cell]` table of a scenario: which invented cell, and how it differs from its papers."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, field_validator

from simulated_bench.papers import CELLS, Papers
from simulated_bench.written import COLDEST, HOTTEST, LONGEST_S, Ohms, Written

Zero = Annotated[float, Field(ge=-100, le=100)]
"""mV/V: beyond it a bridge is open or shorted, and that is a fault."""


class MoistureTable(Written):
    """Water behind the seal: content 0 to 1, time constants in s, conductance in S.

    `where`: at the gland it conducts mostly to the shield, in the cell to the housing.
    """

    where: Literal["gland", "cell"] = "gland"
    start: Annotated[float, Field(ge=0, le=1)] = 0.5
    seal_tau_s: Annotated[float, Field(ge=1, le=LONGEST_S)] = 30 * 86_400.0
    drying_tau_s: Annotated[float, Field(ge=1, le=LONGEST_S)] = 5 * 3600.0
    siemens: Annotated[float, Field(gt=0, le=1)] = 1e-7
    asymmetry: Annotated[float, Field(ge=-0.8, le=0.8)] = 0.25
    galvanic_volts: Annotated[float, Field(ge=-10, le=10)] = 0.15


class CellTable(Written):
    """The cell on the bench: one of the invented ones, with what differs from its papers.

    `serial` is what stands on its label. `drawn` draws its own values within the type's usual
    spread (a lot). `body_celsius` is its temperature when it arrives, the room's when absent.
    """

    papers: str = "B-011902"
    serial: str | None = None
    drawn: Annotated[int, Field(ge=0)] | None = None
    input_ohms: Ohms | None = None
    output_ohms: Ohms | None = None
    zero_mv_v: Zero | None = None
    other_zeros_mv_v: tuple[Zero, ...] | None = Field(default=None, max_length=2)
    rated_output_mv_v: Annotated[float, Field(gt=0, le=100)] | None = None
    insulation_ohms: Ohms | None = None
    wires: Literal[4, 6] | None = None
    cable_m: Annotated[float, Field(gt=0, le=1000)] | None = None
    shield_to_housing_ohms: Ohms | None = None
    body_celsius: Annotated[float, Field(ge=COLDEST, le=HOTTEST)] | None = None
    kilograms: Annotated[float, Field(ge=0)] = 0.0
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
