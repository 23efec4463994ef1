"""Findings and figures of load tests: what the analysis computed, judged and kept.

The analysis carries every influence of every reading through to its results (first order, with
correlation); here each result meets its limits, from the data sheet and from the cell's own
sheet, and becomes a finding.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from acq.analysis.creep import CreepResults
from acq.analysis.load_pictures import class_picture, deviation_picture, hysteresis_picture
from acq.analysis.load_results import LoadResults
from acq.analysis.oiml_r60 import SYSTEM_SHARE, wording
from acq.analysis.oiml_r60_results import CreepTest, Limited, LoadTest
from acq.analysis.plots import (
    LimitStep,
    creep_plot,
)
from acq.analysis.propagation import Result
from acq.analysis.reference_lines import Line
from acq.cells.limits import Limits
from acq.readings.conformity import Conformity, Judgement, judge
from acq.readings.measured import Contribution, Expanded
from acq.readings.rules import Limit
from acq.runs.check import Check
from acq.runs.ending import worst_conformity
from acq.runs.findings import INFORMATION, Finding
from acq.runs.run import Run
from sequences.load_plan import Creep, Series

MINUTE_S = 60.0
OF_OUTPUT = "1"
NO_TEMPERATURE = "temperature not known: OIML R 60 states class limits at a temperature"


def told(
    run: Run[Any],
    check: Check,
    result: Result,
    name: str,
    unit: str,
    limits: Sequence[Limit] = (),
    *,
    rule: str = INFORMATION,
    share: float | None = None,
    marks: Sequence[str] = (),
) -> Finding:
    """Keep one result of the analysis as a finding; without limits it only informs."""
    expanded = as_expanded(result)
    deciding = next((limit for limit in limits if limit.decides), None)
    if deciding is None:
        rule = INFORMATION
        judgement = Judgement(Conformity.PASS, "told without a limit", None)
    else:
        judgement = judge(expanded, deciding, rule, share)
    where = (f"at {result.where}",) if result.where else ()
    return check.add(
        Finding(
            name=name,
            check=check.name,
            quantity=result.name,
            unit=unit,
            result=expanded,
            limits=limits,
            rule=rule,
            judgement=judgement,
            budget=budget_of(result),
            indication_only=run.indication_only,
            marks=(*where, *marks),
        )
    )


def as_expanded(result: Result) -> Expanded:
    """Return value and U; where nothing is known of it, U is 0 and the marks must say so."""
    stated = result.uncertainty
    if stated is None:
        return Expanded(result.value, 0.0, 2.0, float("inf"))
    k, dof = stated.coverage_factor, stated.degrees_of_freedom
    return Expanded(result.value, stated.expanded, k, dof, stated.probability)


def budget_of(result: Result) -> tuple[Contribution, ...]:
    """Return the budget, largest first."""
    if result.uncertainty is None:
        return ()
    return tuple(
        Contribution(part.name, part.standard_uncertainty, part.degrees_of_freedom)
        for part in result.uncertainty.budget
        if part.standard_uncertainty > 0.0
    )


# --- a load series


def series_findings(
    run: Run[Any],
    check: Check,
    part: Series,
    found: LoadResults,
    limits: Limits,
    about: str = "",
    marks: Sequence[str] = (),
) -> None:
    """Judge rated output, zero return, linearity, hysteresis, repeatability, combined error."""
    judging: dict[str, Any] = {"rule": part.rule, "share": part.largest_uncertainty_share}
    told(
        run,
        check,
        found.rated_output,
        f"rated output{about}",
        "V/V",
        at_this_gravity(run, limits.rated_output),
        marks=marks,
        **judging,
    )
    told(run, check, found.zero_balance, f"zero at the rig{about}", "V/V")
    line = Line(part.line).words
    for result, name, key in (
        (found.zero_return, "zero return", "zero_return"),
        (found.non_linearity, f"non-linearity ({line} line)", "non_linearity"),
        (found.hysteresis, "hysteresis", "hysteresis"),
        (found.combined_error, f"combined error ({line} line)", "combined_error"),
        (found.repeatability, "repeatability", "repeatability"),
    ):
        if result is not None:
            told(run, check, result, f"{name}{about}", OF_OUTPUT, limits.of_type(key), **judging)


def at_this_gravity(run: Run[Any], limits: Sequence[Limit]) -> tuple[Limit, ...]:
    """Return limits of an own sheet moved from its gravity to ours; the source says so.

    The same mass presses with another force elsewhere: up to 0.5 % from equator to pole. Only
    where the capacity is a mass, and both places are known.
    """
    sheet, here = run.cell.sheet, run.loading.gravity
    capacity = run.cell.capacity
    if sheet is None or sheet.gravity is None or here is None or capacity is None:
        return tuple(limits)
    if capacity.unit != "kg":
        return tuple(limits)
    ratio = here.value / sheet.gravity
    return tuple(
        limit if limit.reference is None else _scaled(limit, ratio, here.value, sheet.gravity)
        for limit in limits
    )


def _scaled(limit: Limit, ratio: float, here: float, there: float) -> Limit:
    def moved(value: float | None) -> float | None:
        return None if value is None else value * ratio

    source = f"{limit.source}, from {there:.5g} to {here:.5g} m/s2" if ratio != 1.0 else None
    return replace(
        limit,
        lower=moved(limit.lower),
        upper=moved(limit.upper),
        reference=moved(limit.reference),
        source=source or limit.source,
    )


def class_findings(
    run: Run[Any],
    check: Check,
    part: Series,
    test: LoadTest,
    temperature_c: float | None,
    about: str = "",
) -> None:
    """Judge every error of a class; the statement speaks for all of them together."""
    notes = list(test.notes)
    worst = test.worst_repeatability
    _class_finding(run, check, part.class_rule, test.worst_error, f"largest error E_L{about}")
    if worst is not None:
        _class_finding(
            run, check, part.class_rule, worst, f"largest repeatability error E_R{about}"
        )
    every = (*test.errors, *test.repeatability)
    missing = next((note for note in test.notes if "asks for" in note), "")
    words = [judged_limited(each, part.class_rule).conformity for each in every]
    overall = worst_conformity(words) or Conformity.WITHHELD
    if (test.runs_missing or temperature_c is None) and overall.accepted:
        overall = Conformity.WITHHELD
        missing = missing or NO_TEMPERATURE
    because = missing if overall is Conformity.WITHHELD else _counted(words)
    statement(
        run,
        check,
        f"{wording(test.span.accuracy, temperature_c)}{about}",
        test.worst_error,
        overall,
        because,
        part.class_rule,
        notes,
    )


def _class_finding(run: Run[Any], check: Check, rule: str, each: Limited, name: str) -> None:
    marks = [] if each.capable is not False else ["U of rig and indicator is above mpe/3"]
    told(
        run,
        check,
        each.result,
        name,
        "v",
        [_limit(each)],
        rule=rule,
        share=SYSTEM_SHARE,
        marks=marks,
    )


def _limit(each: Limited) -> Limit:
    one_sided = each.result.name.startswith("repeatability")
    return Limit(None if one_sided else -each.limit_v, each.limit_v, "v", each.source)


def judged_limited(each: Limited, rule: str) -> Judgement:
    """Judge one figure in v; U may have a third of the limit where the value is near it."""
    return judge(as_expanded(each.result), _limit(each), rule, SYSTEM_SHARE)


def statement(
    run: Run[Any],
    check: Check,
    name: str,
    worst: Limited,
    overall: Conformity,
    because: str,
    rule: str,
    notes: Sequence[str],
) -> None:
    """Keep the only claim about a class: tested to its limits, with what came of it."""
    check.add(
        Finding(
            name=name,
            check=check.name,
            quantity="class limits, worst point",
            unit="v",
            result=as_expanded(worst.result),
            limits=[_limit(worst)],
            rule=rule,
            judgement=Judgement(overall, because, None),
            budget=budget_of(worst.result),
            indication_only=run.indication_only,
            marks=tuple(notes),
        )
    )


def _counted(words: Sequence[Conformity]) -> str:
    told_ = [f"{words.count(word)} {word.value}" for word in Conformity if word in words]
    return f"of {len(words)} points: {', '.join(told_)}"


def series_figures(
    check: Check, found: LoadResults, terminal: LoadResults, unit: str,
    limits: Limits, test: LoadTest | None, about: str = "",
) -> None:  # fmt: skip
    """Keep deviation from the named line with limits and U, and the hysteresis loop."""
    allowed = next((each for each in limits.of_type("combined_error") if each.decides), None)
    top = max(abs(point.load) for point in found.points)
    steps = []
    if allowed is not None and allowed.upper is not None:
        steps = [LimitStep(0.0, top, 100.0 * allowed.upper)]
    picture = deviation_picture(found, unit, steps, "limit of combined error")
    check.keep("figure", f"deviation{about}", {"svg": picture})
    if terminal.hysteresis is not None:
        loop = hysteresis_picture(terminal, unit)
        check.keep("figure", f"hysteresis{about}", {"svg": loop})
    if test is not None:
        errors = class_picture(test, unit)
        check.keep("figure", f"class{about}", {"svg": errors})


# --- creep


def creep_findings(
    run: Run[Any],
    check: Check,
    part: Creep,
    found: CreepResults,
    test: CreepTest | None,
    limits: Limits,
    temperature_c: float | None,
) -> None:
    """Judge creep, recovery and return; of a class, the limits with 0.7 whatever p_LC is."""
    judging: dict[str, Any] = {"rule": part.rule, "share": part.largest_uncertainty_share}
    told(run, check, found.applied_output, "output of the creep load", "V/V")
    for result, name, key in (
        (found.creep_30_min, "creep, 30 min", "creep_30_min"),
        (found.creep_20_to_30_min, "creep, 20 to 30 min", ""),
        (found.minimum_load_return, "minimum dead load output return", ""),
        (found.recovery_30_min, "recovery, 30 min", ""),
    ):
        if result is not None:
            allowed = limits.of_type(key) if key else ()
            told(run, check, result, name, OF_OUTPUT, allowed, **judging)
    if found.fit is not None:
        for term in found.fit.terms:
            if term.vague:
                continue
            name = f"creep time constant near {term.time_constant.value:.0f} s"
            told(run, check, term.time_constant, name, "s")
    if test is not None:
        _creep_class(run, check, part, test, temperature_c)


def _creep_class(
    run: Run[Any], check: Check, part: Creep, test: CreepTest, temperature_c: float | None
) -> None:
    every = [e for e in (test.creep, test.late_creep, test.dead_load_return) if e is not None]
    for each in every:
        _class_finding(run, check, part.class_rule, each, f"{each.result.name}, class")
    words = [judged_limited(each, part.class_rule).conformity for each in every]
    complete = len(every) == 3
    overall = worst_conformity(words) or Conformity.WITHHELD
    because = "not every reading for the class was there" if not complete else _counted(words)
    if complete and temperature_c is None and overall.accepted:
        because = NO_TEMPERATURE
    if (not complete or temperature_c is None) and overall.accepted:
        overall = Conformity.WITHHELD
    worst = max(every, key=lambda each: abs(each.result.value) / each.limit_v)
    name = f"creep {wording(test.span.accuracy, temperature_c)}"
    statement(run, check, name, worst, overall, because, part.class_rule, test.notes)


def creep_figure(check: Check, found: CreepResults, test: CreepTest | None) -> None:
    """Keep the creep curve in percent of the applied output over minutes."""
    limit = None
    if test is not None:
        limit = 100.0 * test.creep.limit_v / test.span.accuracy.intervals
    applied, fit = found.applied_output.value, found.fit

    def fitted(minutes: float) -> float:
        assert fit is not None
        return 100.0 * (fit.at(minutes * MINUTE_S) - found.initial_output) / applied

    expanded = found.creep_30_min.expanded
    picture = creep_plot(
        [(seconds / MINUTE_S, 100.0 * value) for seconds, value in found.curve],
        [(seconds / MINUTE_S, 100.0 * value) for seconds, value in found.recovery_curve],
        y_label="change, % of applied output",
        fitted=fitted if fit is not None else None,
        limit=limit,
        half=None if expanded is None else 100.0 * expanded,
    )
    check.keep("figure", "creep", {"svg": picture})


# --- what all of them share


def rig_marks(run: Run[Any], notes: Sequence[str]) -> list[str]:
    """Return what stands beside a rated output: mass or force, gravity, what was corrected."""
    capacity = run.cell.capacity
    assert capacity is not None
    loading = run.loading
    kind = {"kg": "loads are conventional mass", "N": "loads are force"}[capacity.unit]
    conversion = loading.conversion(capacity)
    return [kind, *([conversion] if conversion else []), *notes]
