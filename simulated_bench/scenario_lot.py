"""The `[lot]` table of a scenario: many cells of one type, some of them in the fixtures.

Piece n is the cell of the scenario drawn as number n, so that a lot is one only by its seed; a
`[[lot.piece]]` says in what a piece differs. Pieces and positions are counted from 1.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Annotated

from pydantic import Field, model_validator

from simulated_bench.scenario_cell import CellTable
from simulated_bench.written import Written

if TYPE_CHECKING:
    from simulated_bench.scenario import Scenario


OUTSIDE = tuple(
    f"{word} "
    for word in ("relay", "clip", "earth", "supply", "dmm", "second-dmm", "insulation", "source")
)


class PieceTable(CellTable):
    """One piece that is otherwise: its number, and the keys of a `[cell]` that differ."""

    number: Annotated[int, Field(ge=1)]

    @model_validator(mode="after")
    def _alike(self) -> PieceTable:
        for key in ("kilograms", "serial", "drawn"):
            if key in self.model_fields_set:
                raise ValueError(f"{key}: the pieces of a lot have it from the lot")
        return self


class LotTable(Written):
    """How many cells, in how many fixtures (or side by side, for hands); serials are `name-NN`."""

    name: str = "EX26"
    cells: Annotated[int, Field(ge=1, le=99)] = 20
    positions: Annotated[int, Field(ge=1, le=20)] = 10
    piece: tuple[PieceTable, ...] = ()

    @model_validator(mode="after")
    def _pieces(self) -> LotTable:
        counted = Counter(piece.number for piece in self.piece)
        for number, times in counted.items():
            self.check_piece(number, "lot.piece.number")
            if times > 1:
                raise ValueError(f"piece: number {number} stands here twice")
        return self

    def check_piece(self, number: int | None, key: str) -> None:
        """Raise ValueError for a piece that the lot does not have."""
        if number is None or not 1 <= number <= self.cells:
            raise ValueError(f"{key}: a piece from 1 to {self.cells} is needed, got {number}")

    def serial(self, number: int) -> str:
        """Return what stands on the label of a piece."""
        return f"{self.name}-{number:02}"

    def number_of(self, serial: str) -> int | None:
        """Return the piece with this serial, None when it is not of this lot."""
        known = {self.serial(number): number for number in range(1, self.cells + 1)}
        return known.get(serial)


def outside(name: str) -> bool:
    """Elements that are not a cell's: contacts, earth, what is inside instruments."""
    return name.startswith(OUTSIDE)


def piece_of(scenario: Scenario, number: int) -> Scenario:
    """Return the scenario of one piece alone: its cell, its faults."""
    lot = scenario.lot
    assert lot is not None
    changes: dict[str, object] = {"serial": lot.serial(number), "drawn": number}
    for piece in lot.piece:
        if piece.number == number:
            given = piece.model_fields_set - {"number"}
            changes |= {name: getattr(piece, name) for name in given}
    table = CellTable.model_validate(
        {**scenario.cell.model_dump(exclude_unset=True), **_plain(changes)}
    )
    faults = tuple(fault for fault in scenario.fault if fault.piece == number)
    return scenario.model_copy(update={"cell": table, "fault": faults})


def _plain(changes: dict[str, object]) -> dict[str, object]:
    return {
        name: value.model_dump(exclude_unset=True) if isinstance(value, Written) else value
        for name, value in changes.items()
    }
