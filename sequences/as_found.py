"""The short series of a returned cell, as it was found: 0-50-100-50-0, zero again after minutes.

Done before anybody mends anything, so that the complaint is on record. `acceptance` calls it when
its plan has a table `as_found`.
"""

from __future__ import annotations

from typing import Any

from acq.analysis.load_results import LoadResults
from acq.runs.run import Run
from sequences import load_gates
from sequences.diagnosis import Seen
from sequences.load_plan import Series
from sequences.rig_prompts import inspection_prompt
from sequences.series import LOAD_FINDINGS, measured_series, prepared
from sequences.series_results import judged_series
from sequences.spoilt import told_if_loaded
from sequences.steps import Gate, closed

ABOUT = ", as found"


def as_found_series(run: Run[Any], seen: Seen, gate: Gate) -> None:
    """Load the cell once up and down, unless a gate is closed; nothing without a plan for it.

    Raises WrongInput before anything is loaded when the plan's loads cannot be made.
    """
    part: Series | None = run.plan.as_found
    if part is None:
        return
    rig = prepared(run, part)
    gate = _gate(run, part, seen, gate)
    if not gate.is_open:
        for name in LOAD_FINDINGS:
            unit = "V/V" if name == "rated output" else "1"
            run.withhold(f"{name}{ABOUT}", name, unit, gate.because)
        return
    with told_if_loaded(rig):
        measured = measured_series(run, rig, part, ABOUT)
    judged_series(run, rig, part, measured, ABOUT)
    if measured.found is not None:
        under_load(run, seen, measured.found)


def under_load(run: Run[Any], seen: Seen, found: LoadResults) -> None:
    """Leave for the diagnosis what the load tells: the span, and findings in parts of their limit.

    Where the papers limit only the combined error, none of its parts may be larger either.
    """
    sheet, expected = run.cell.data_sheet, run.cell.rated_output
    if expected:
        expected *= _gravity_ratio(run)
        seen.span_ratio = found.rated_output.value / expected
    for name, result, allowed in (
        ("non-linearity", found.non_linearity, sheet.non_linearity),
        ("hysteresis", found.hysteresis, sheet.hysteresis),
        ("zero return", found.zero_return, sheet.zero_return),
    ):
        largest = allowed or sheet.combined_error
        if result is not None and largest:
            seen.of_limit[name] = abs(result.value) / largest


def _gravity_ratio(run: Run[Any]) -> float:
    """The force of a mass here, as a share of its force where the cell's own sheet was made."""
    sheet, here = run.cell.sheet, run.loading.gravity
    if sheet is None or sheet.gravity is None or here is None or run.cell.capacity is None:
        return 1.0
    return float(here.value / sheet.gravity) if run.cell.capacity.unit == "kg" else 1.0


def _gate(run: Run[Any], part: Series, seen: Seen, gate: Gate) -> Gate:
    """Short, open, wet, shifted or cracked: no load."""
    if not gate.is_open:
        return closed(f"no load: {gate.because}")
    wet = load_gates.insulation_gate(run, seen, part)
    if not wet.is_open:
        return wet
    shifted = load_gates.shift_gate(run, part, seen.zero) if seen.zero is not None else None
    if shifted is None:
        return closed("no load: the zero is not known")
    if not shifted.is_open:
        return shifted
    with run.check("inspection") as check:
        if check.ask(inspection_prompt()) == "damaged":
            check.withhold("the cell is damaged to the eye")
            return closed("no load: the cell is damaged to the eye (crack, dent, bent)")
    return gate
