"""What a run can be about: one cell, a weighing chain, or a lot of cells."""

from __future__ import annotations

from acq.cells.cell import Cell
from acq.cells.chain_subject import ChainPapers
from acq.cells.lot_subject import LotPapers

Subject = Cell | ChainPapers | LotPapers
