"""The `[chain]` table of a scenario: a weighing chain in the plant instead of one cell."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from simulated_bench.papers import CELLS
from simulated_bench.scenario_cell import Zero
from simulated_bench.written import Written

Positive = Annotated[float, Field(ge=1e-9, le=1e18)]
NotNegative = Annotated[float, Field(ge=0, le=1e18)]
FilterSeconds = Annotated[float, Field(ge=0, le=3600)]


class ChainCellTable(Written):
    """One cell in the box: its papers, what it really has, its trims at the box's terminals."""

    papers: str = "B-011902"
    zero_mv_v: Zero | None = None
    rated_output_mv_v: Positive | None = None
    excitation_trim_ohms: NotNegative = 0.0
    signal_trim_ohms: NotNegative = 0.0
    signal_shunt_ohms: Positive | None = None
    sense_joined: bool = True

    @field_validator("papers")
    @classmethod
    def _known(cls, papers: str) -> str:
        if papers not in CELLS:
            raise ValueError(f"no cell {papers!r}; there are {', '.join(CELLS)}")
        return papers


class TransmitterTable(Written):
    """Excites the cells, reads mV/V, puts out mA. `excitation` may be pulsed with a duty."""

    zero_mv_v: float = 0.0
    full_mv_v: float = 2.0
    gain: Positive = 1.0
    offset_mv_v: float = 0.0
    volts: Positive = 10.0
    excitation: Literal["direct", "alternating", "pulsed"] = "direct"
    duty: Annotated[float, Field(gt=0, le=1)] = 1.0
    filter_s: FilterSeconds = 0.5
    sense_used: bool = True
    two_wire: bool = False
    forced_ma: float | None = None
    common_mode_uv_v: float = 1.0
    excitation_earth_ohms: Positive = 1e9


class CardTable(Written):
    """The control system's input and its scaling; `zero_ma` 0 is the wrong 0 to 20 mA."""

    burden_ohms: Positive = 250.0
    supply_volts: NotNegative = 0.0
    lower: float = 0.0
    upper: float = 1000.0
    zero_ma: float = 4.0
    full_ma: float = 20.0
    gain: Positive = 1.0
    offset_ma: float = 0.0
    filter_s: FilterSeconds = 0.2
    forced_value: float | None = None


class ChainTable(Written):
    """A whole chain. `sense` says where the transmitter's sense wires end."""

    cell: Annotated[tuple[ChainCellTable, ...], Field(min_length=1)] = (ChainCellTable(),) * 3
    sense: Literal["box", "transmitter", "missing"] = "box"
    home_run_m: Positive = 50.0
    home_run_mm2: Positive = 0.5
    box_insulation_ohms: Positive = 1e11
    dead_kilograms: NotNegative = 300.0
    corner_share: Annotated[float, Field(gt=0, le=1)] = 0.7
    pipe_share: Annotated[float, Field(ge=0, lt=1)] = 0.0
    pipe_kilograms: float = 0.0
    transmitter: TransmitterTable = TransmitterTable()
    card: CardTable = CardTable()

    @model_validator(mode="after")
    def _powered(self) -> ChainTable:
        if self.transmitter.two_wire and not self.card.supply_volts:
            raise ValueError("a two_wire transmitter needs card.supply_volts for its loop")
        if self.transmitter.zero_mv_v == self.transmitter.full_mv_v:
            raise ValueError("transmitter.full_mv_v: is not that of the zero")
        if self.card.zero_ma == self.card.full_ma:
            raise ValueError("card.full_ma: is not that of the zero")
        return self
