"""The acceptance test of a lot: many cells of one type in the fixtures of one scanner.

What waits is shared: one soak, one insulation dwell for several cells, one warm-up for all that
the supply can excite. What measures is one cell at a time. Each piece has findings of its own
and gets a record and a certificate of its own; at the end it is compared with its lot.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from acq.cells.cell import Cell
from acq.cells.limits import Limits
from acq.cells.lot_subject import LotPapers
from acq.errors import WrongInput
from acq.runs.prompts import Prompt
from acq.runs.run import Run
from acq.runs.sequence import sequence
from sequences import route
from sequences.diagnosis import diagnosis
from sequences.leads import lead_pairs
from sequences.lot_comparison import compare
from sequences.lot_excitation import zero_together
from sequences.lot_insulation import insulation_together
from sequences.lot_pieces import Piece, evenly, soak_together, turn_of
from sequences.lot_plan import LotPlan
from sequences.shunt_output import open_and_apart
from sequences.soak import soak


@sequence(
    roles=("scanner", "dmm", "supply", "insulation"),
    plan=LotPlan,
    plans=Path(__file__).parent / "plans",
    default_plan="lot",
    default_scenario="lot-20",
    subject=LotPapers,
)
def lot(run: Run[LotPlan]) -> None:
    """Test a lot: as many cells at once as there are fixtures, each judged by its lot too."""
    papers = run.subject
    assert isinstance(papers, LotPapers)
    refuse_what_is_no_lot(run, papers)
    pieces: list[Piece] = []
    positions = run.positions or tuple(range(1, run.plan.lot.places_by_hand + 1))
    loads = evenly(papers.cells, len(positions))
    for number, cells in enumerate(loads, 1):
        batch = [
            Piece(cell, position, Limits(cell, run.plan.limits))
            for cell, position in zip(cells, positions, strict=False)
        ]
        prompt = fixture_prompt(batch, positions, number, len(loads), by_hand=not run.relays)
        with run.fixtures_loaded(f"load {number}", prompt):
            one_load(run, batch, f"load {number}")
        pieces += batch
    compare(run, papers.serial, pieces)


def one_load(run: Run[LotPlan], pieces: Sequence[Piece], load: str) -> None:
    """What lies in the fixtures now, from harmless to stressful."""
    if run.relays:
        soak_together(run, pieces, load)
    for piece in pieces:
        with turn_of(run, piece):
            if not run.relays:  # the clips of the first pair are on it anyway
                soak(run, piece.seen)
            lead_pairs(run, piece.limits, piece.seen)
    insulation_together(run, pieces)
    zero_together(run, pieces, load)
    for piece in pieces:
        with turn_of(run, piece):
            diagnosis(run, piece.seen)


def fixture_prompt(
    pieces: Sequence[Piece], positions: Sequence[int], number: int, loads: int, *, by_hand: bool
) -> Prompt:
    """Which serial goes where; what stays empty is said too."""
    fixtures = dict.fromkeys(positions, "")
    fixtures |= {piece.position: piece.serial for piece in pieces}
    told = "; ".join(f"{position}: {serial or 'empty'}" for position, serial in fixtures.items())
    shunt = pieces[0].cell.data_sheet.shunt  # a lot is of one type
    apart = f" {open_and_apart(shunt.lead)}" if shunt is not None and shunt.lead else ""
    do = (
        "Lay the cells side by side, leads to you" if by_hand else "Put the cells into the fixtures"
    )
    return Prompt(
        text=f"Load {number} of {loads}. {do}, by their labels: {told}.{apart}",
        caution="Supply and test voltage are off. Housings must not touch one another or the"
        " bench: their insulation is tested.",
        fixtures=fixtures,
    )


def refuse_what_is_no_lot(run: Run[LotPlan], papers: LotPapers) -> None:
    """Raises WrongInput for what must be tested one by one."""
    if run.relays and not run.positions:
        raise WrongInput(
            "the scanner's relays reach no fixture: say position in [[connections.relay]], or take"
            " the scanner out of the bench file and clip by hand"
        )
    for cell in papers.cells:
        with run.on(cell, 1):
            route.refuse_other_routes(run)
        for objection in (cell.reversal_objection, _zone(cell)):
            if objection:
                raise WrongInput(f"cell {cell.serial}: {objection}; run acceptance on it alone")


def _zone(cell: Cell) -> str:
    area = cell.data_sheet.hazardous_area
    return "" if area is None else f"it is marked {area.marking}"
