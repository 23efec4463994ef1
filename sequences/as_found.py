"""The short series of a returned cell, as it was found: 0-50-100-50-0, zero again after minutes.

Done before anybody mends anything, so that the complaint is on record. `acceptance` calls it when
its plan has a table `as_found`.
"""

from __future__ import annotations

from typing import Any

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
