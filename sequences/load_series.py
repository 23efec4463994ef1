"""The load series of a cell: what it gives for which load, up and down, and how sure that is.

First the electrical gates, then preloads, then runs by OIML R 60's reading times; in tension and
compression the cell is mounted anew between. With a creep part in the plan this is the whole day
of a certificate.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from acq.runs.run import Run
from acq.runs.sequence import sequence
from sequences import load_gates, route
from sequences.creep import creep_part, prepared_creep
from sequences.load_history import matched_set, temperature_effects
from sequences.load_plan import LoadSeriesPlan, Series
from sequences.rig import AtRig
from sequences.rig_prompts import mounting_prompt
from sequences.series import LOAD_FINDINGS, Measured, measured_series, prepared
from sequences.series_results import judged_series
from sequences.spoilt import told_if_loaded

ROLES = ("scanner", "dmm", "supply", "insulation")
OPTIONAL = ("second-dmm", "thermometer", "hygrometer", "barometer", "reference-indicator")


@sequence(
    roles=ROLES,
    optional=OPTIONAL,
    plan=LoadSeriesPlan,
    plans=Path(__file__).parent / "plans",
    default_plan="load-series",
)
def load_series(run: Run[LoadSeriesPlan]) -> None:
    """Load a cell up and down: rated output, zero return, linearity, hysteresis, class limits."""
    route.refuse_other_routes(run)
    part = run.plan.load
    rigs = rigs_of(run, part)
    creep = prepared_creep(run, run.plan.creep) if run.plan.creep is not None else None
    gate = load_gates.load_gate(run, part)
    if not gate.is_open:
        withhold_load(run, gate.because)
        return
    found = {name: one_direction(run, rig, part, name) for name, rig in rigs.items()}
    asymmetry(run, found)
    if creep is not None and run.plan.creep is not None:
        creep_part(run, creep, run.plan.creep)
    first = next(iter(found.values()))
    matched_set(run, first)
    temperature_effects(run, first)


def rigs_of(run: Run[Any], part: Series) -> dict[str, AtRig]:
    """Return the rig for each direction that the plan asks for; every load is looked at here."""
    if part.direction != "both":
        return {part.direction: prepared(run, part, 1.0, part.direction)}
    sheet = run.cell.sheet
    first = (sheet.direction if sheet is not None else None) or "tension"
    other = "compression" if first == "tension" else "tension"
    back = -1.0 if part.other_direction_is_negative else 1.0
    return {first: prepared(run, part, 1.0, first), other: prepared(run, part, back, other)}


def one_direction(run: Run[Any], rig: AtRig, part: Series, name: str) -> Measured:
    """Measure and judge one direction; the cell is mounted for it first where there are two."""
    about = f", {name}" if part.direction == "both" else ""
    if about:
        with run.check("mounting", name) as check:
            check.ask(mounting_prompt(name))
    with told_if_loaded(rig):
        measured = measured_series(run, rig, part, about)
    judged_series(run, rig, part, measured, about)
    return measured


def asymmetry(run: Run[Any], found: dict[str, Measured]) -> None:
    """The rated outputs of both directions against each other, where both were measured."""
    results = {
        name: each.found.rated_output for name, each in found.items() if each.found is not None
    }
    if len(results) < 2 or {"tension", "compression"} - results.keys():
        return
    with run.check("asymmetry") as check:
        outputs = []
        for name, each in results.items():
            u = 0.0 if each.uncertainty is None else each.uncertainty.standard
            outputs.append(abs(each.value) + run.uncertainties.fresh(f"rated output, {name}", u))
        tension, compression = outputs if next(iter(results)) == "tension" else outputs[::-1]
        apart = (tension - compression) / ((tension + compression) / 2.0)
        check.finding("tension less compression", "asymmetry", "1", apart)


def withhold_load(run: Run[Any], because: str) -> None:
    """Nothing was loaded: every load result is withheld by name."""
    for name in LOAD_FINDINGS:
        run.withhold(name, name, "V/V" if name == "rated output" else "1", because)
