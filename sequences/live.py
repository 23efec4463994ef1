"""A live display of one cell: a run that reads until it is told to end.

Each order of a person closes a check: what was seen, ordered, and what came of it. So a run that
was killed has its trim, tare and calibration again. The readings lie in a log beside the journal.
"""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Any

from acq.analysis.weighing import Papers, Rules, Scale, Seen
from acq.cells.paper_units import FORCE, MASS, factor
from acq.errors import WrongInput
from acq.runs.run import Run
from acq.runs.sequence import sequence
from sequences.entrance import entrance, excited
from sequences.live_reader import LiveReader
from sequences.reading_plan import LivePlan

MASSES, FORCES = ("kg", "t", "g", "lb"), ("N", "kN")


@sequence(
    roles=("scanner", "dmm", "supply"),
    plan=LivePlan,
    plans=Path(__file__).parent / "plans",
    default_plan="live",
    optional=("second-dmm",),
)
def live(run: Run[LivePlan]) -> None:
    """Show excitation, output and weight of a cell until it is told to quit."""
    scale = scale_of(run)
    gate = entrance(run)
    if not gate.is_open:
        run.withhold("weighing", "weighing", "V/V", gate.because)
        return
    with contextlib.closing(LiveReader(run, scale)) as reader, excited(run):
        over = False
        while not over:
            with run.check("weighing") as check:
                told: dict[str, Any] = check.effect("order", None, reader.until_order)
                words = told["order"].split()
                over = words == ["quit"]
                if words not in (["quit"], ["part"]) and words[0] != "load":
                    outcome = scale.obey(words, Seen(**told["seen"]))
                    check.keep("weighing", told["order"], outcome.as_json())
                    reader.said = outcome.said


def scale_of(run: Run[LivePlan]) -> Scale:
    """Return the scale of a cell's papers; raises WrongInput for what they do not say."""
    cell, plan = run.cell, run.plan.weighing
    capacity, rated = cell.capacity, cell.rated_output
    if capacity is None or not rated:
        raise WrongInput(f"the papers of {cell.serial} give no rated output at a capacity")
    rules = Rules(
        divisions=plan.divisions,
        stable_window_s=plan.stable_window_s,
        stable_divisions=plan.stable_divisions,
        frozen_after_s=plan.frozen_after_s,
        zero_limit=plan.zero_limit_share,
        zero_source=plan.zero_source,
        span_good=plan.span_good_share,
        span_limit=plan.span_limit_share,
        span_source=plan.span_source,
        units=_units(capacity.unit, plan.gravity),
    )
    sheet = cell.sheet
    papers = Papers(
        capacity=capacity.value,
        unit=capacity.unit,
        rated_output=rated,
        zero=sheet.zero_balance if sheet else None,
    )
    return Scale(papers, rules, plan.filter)


def _units(base: str, gravity: float | None) -> dict[str, float]:
    """How many of each unit one kg (or one N) is; the other kind only where gravity is known."""
    masses = {unit: 1.0 / factor(unit, MASS) for unit in MASSES}
    forces = {unit: 1.0 / factor(unit, FORCE) for unit in FORCES}
    if base == "kg":
        other = {u: f * gravity for u, f in forces.items()} if gravity else {}
        return masses | other
    other = {u: f / gravity for u, f in masses.items()} if gravity else {}
    return forces | other
