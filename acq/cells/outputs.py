"""Output to load and back by the papers of one cell: along its straight line or its load table."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from acq.cells.cell import Cell
from acq.cells.paper_fields import Load
from acq.errors import WrongInput
from acq.readings.units import format_value


@dataclass(frozen=True, slots=True)
class OutputLine:
    """How a cell's papers tie output (V/V) to load; `zero` is taken off a gross output.

    `forward` is the output at capacity in the main direction, `backward` in the other one.
    `table` holds (part of capacity, net V/V) of the rising branch where it shall be followed.
    """

    cell: Cell
    capacity: Load
    zero: float
    forward: float
    backward: float
    table: tuple[tuple[float, float], ...] = ()

    def part(self, ratio: float) -> float:
        """Return the part of the capacity at a gross output in V/V; negative in the other way."""
        net = ratio - self.zero
        if self.table:
            return _interpolated(net, [(x, p) for p, x in self.table])
        same_way = net * self.forward >= 0.0
        return net / self.forward if same_way else -abs(net / self.backward)

    def ratio(self, part: float) -> float:
        """Return the gross output in V/V at a part of the capacity."""
        if self.table:
            return self.zero + _interpolated(part, list(self.table))
        return self.zero + (part * self.forward if part >= 0.0 else -part * self.backward)

    def assumptions(self) -> list[str]:
        """Return what the conversion rests on, for people."""
        how = "its load table, rising" if self.table else "the straight line to its rated output"
        output = format_value(self.forward, "V/V")
        source = self.cell.sheet.name if self.cell.sheet else self.cell.data_sheet.name
        return [
            f"by {how}: {output} at {self.capacity} ({source} of {self.cell.serial})",
            f"zero {format_value(self.zero, 'V/V')}",
        ]


def output_line(
    cell: Cell, *, zero: float | None = None, net: bool = False, by_table: bool = False
) -> OutputLine:
    """Return the line of a cell. `zero` (V/V) stands in for the sheet's; `net` takes nothing off.

    Raises WrongInput that names the blank of the papers.
    """
    capacity, rated, sheet = cell.capacity, cell.rated_output, cell.sheet
    if capacity is None or not rated:
        missing = "capacity" if capacity is None else "rated output"
        raise WrongInput(f"the papers of {cell.serial} give no {missing}")
    backward = sheet.rated_output_other_direction if sheet else None
    taken = 0.0 if net else zero if zero is not None else sheet.zero_balance if sheet else None
    if taken is None:
        raise WrongInput(
            f"the papers of {cell.serial} give no zero balance: name --zero, or --net for an "
            "output above zero"
        )
    table: tuple[tuple[float, float], ...] = ()
    if by_table:
        if sheet is None or sheet.load_table is None:
            raise WrongInput(f"the papers of {cell.serial} give no load table")
        table = sheet.load_table.points(capacity.value, "rising")
    return OutputLine(cell, capacity, taken, rated, backward or -rated, table)


def _interpolated(x: float, points: list[tuple[float, float]]) -> float:
    """Interpolate between rows of increasing x. Raises WrongInput outside them."""
    ordered = sorted(points)
    xs, ys = [x for x, _ in ordered], [y for _, y in ordered]
    slack = 1e-9 * (xs[-1] - xs[0])
    if not xs[0] - slack <= x <= xs[-1] + slack:
        raise WrongInput("outside the load table: leave --by-table out to use the straight line")
    return float(np.interp(x, xs, ys))
