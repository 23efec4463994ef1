"""What is known beyond this run: what this serial read before here, and whose papers fit better."""

from __future__ import annotations

from typing import Any

from acq.analysis.leads import FOUR_WIRE_PAIRS, INPUT, OUTPUT, LeadPair
from acq.cells.cell import Cell
from acq.cells.folder import find_cell, known_serials
from acq.cells.limits import Found
from acq.errors import WrongInput
from acq.readings.measured import Measured, is_number
from acq.readings.rules import Limit
from acq.runs.run import Run
from drivers.written_file import FileError
from sequences.acceptance_plan import AcceptancePlan
from sequences.diagnosis import Seen

FITS_OHMS = 0.5  # beyond the stated uncertainty of a sheet; common practice, no source


def earlier_limits(run: Run[AcceptancePlan]) -> dict[str, list[Found]]:
    """Return limits about the newest earlier value of each resistance and of the zero."""
    plan = run.plan.history
    if plan is None:
        return {}
    rated = abs(run.cell.rated_output or 2e-3)
    allowed = {f"resistance {pair}": (plan.ohms, "ohm") for pair in FOUR_WIRE_PAIRS}
    allowed["zero balance"] = (rated * plan.zero_percent / 100.0, "V/V")
    found: dict[str, list[Found]] = {}
    with run.check("earlier runs") as check:
        for name, (half, unit) in allowed.items():
            earlier = check.earlier(name, plan.most)
            if not earlier:
                continue
            newest = earlier[-1]
            source = f"run {newest.run}: {len(earlier)} earlier, the newest ({plan.source})"
            limit = Limit(newest.value - half, newest.value + half, unit, source)
            found[name] = [("history", limit)]
    return found


def fitting_serials(run: Run[AcceptancePlan], seen: Seen) -> None:
    """Say so when the readings fit another known serial of the papers better than this one."""
    input_, output = seen.pairs.get(INPUT), seen.pairs.get(OUTPUT)
    if input_ is None or output is None or not (is_number(input_) and is_number(output)):
        return
    if _fits(run.cell, seen.pairs) is not False:
        return
    with run.check("whose papers") as check:
        others: list[str] = check.effect("lookup", "fitting serials", lambda: _others(run, seen))
        if others:
            check.keep("note", "fitting serials", {"text": _said(run.cell.serial, others)})


def _said(serial: str, others: list[str]) -> str:
    shown = ", ".join(others[:5])
    return (
        f"the resistances do not fit the sheet of {serial}; they fit {shown}: is it the right cell?"
    )


def _others(run: Run[AcceptancePlan], seen: Seen) -> list[str]:
    """Look through the papers that are known here; what cannot be read is nobody's."""
    fitting = []
    for serial in known_serials():
        if serial == run.cell.serial:
            continue
        try:
            cell = find_cell(serial)
        except (WrongInput, FileError):
            continue
        if _fits(cell, seen.pairs):
            fitting.append(serial)
    return fitting


def _fits(cell: Cell, pairs: dict[LeadPair, Measured]) -> bool | None:
    """Whether both resistances are those of a cell's own sheet; None where it states neither."""
    sheet = cell.sheet
    if sheet is None or sheet.input_resistance is None or sheet.output_resistance is None:
        return None
    within = FITS_OHMS + (sheet.resistance_uncertainty or 0.0)
    stated = {INPUT: sheet.input_resistance, OUTPUT: sheet.output_resistance}
    return all(_near(pairs[pair], ohms, within) for pair, ohms in stated.items())


def _near(measured: Any, ohms: float, within: float) -> bool:
    return is_number(measured) and abs(measured.x - ohms) <= within
