"""What `bridgebench analyse load-series` prints: tables and lines in the units of the file."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial

from acq.analysis.degree_choice import DegreeChoice
from acq.analysis.iso_376 import ForceResults
from acq.analysis.load_results import OF_RATED_OUTPUT, LoadResults, Point
from acq.analysis.oiml_r60 import EDITION
from acq.analysis.oiml_r60_results import Limited
from acq.analysis.polynomial import Polynomial
from acq.analysis.propagation import Result
from acq.desk.class_judgement import judged_table
from acq.desk.load_series_findings import Findings
from acq.desk.load_units import Units, place
from acq.desk.tables import Table
from acq.readings.units import format_result


def result_text(value: float, expanded: float | None, unit: str) -> str:
    """Return "1.99622 mV/V ± 0.00026 mV/V", or the value alone."""
    return format_result(value, unit, expanded) if expanded else f"{value:.6g} {unit}".rstrip()


def parts(findings: Findings) -> Iterator[Table | str]:
    """Return tables and lines for people."""
    series = findings.series
    yield f"{findings.file}: {len(series.runs)} run(s), {len(series.readings)} readings"
    if findings.results is not None:
        yield _results_table(findings, findings.results)
        yield _points_table(findings, findings.results.points)
    yield from _curve_parts(findings)
    if findings.test is not None:
        yield judged_table(
            f"{EDITION}, class {findings.test.span.accuracy.symbol}, "
            f"p_LC {findings.test.span.apportioning:g}, "
            f"v = {findings.units.load_text(findings.test.span.interval)}",
            findings.judged,
            partial(_where, findings),
        )
        yield findings.statement
    yield from _force_parts(findings)
    yield from (f"note: {note}" for note in findings.notes)


def _where(findings: Findings, each: Limited) -> str:
    branch = f" {each.direction.value}" if each.direction else ""
    return f"{findings.units.load_text(each.load)}{branch}"


def _results_table(findings: Findings, results: LoadResults) -> Table:
    rows = [_result_row(findings, found) for found in results.results]
    title = f"Results; line: {findings.line.words}, {findings.line.meaning}"
    return Table(title, ("result", "value", "U", "k", "at"), tuple(rows))


def _result_row(findings: Findings, found: Result) -> tuple[str, ...]:
    percent = found.unit == OF_RATED_OUTPUT
    scale = 100.0 if percent else findings.units.shown_output(1.0)
    unit = "%RO" if percent else findings.units.output_shown
    expanded = None if found.expanded is None else found.expanded * scale
    value, _, spread = result_text(found.value * scale, expanded, unit).partition(" ± ")
    factor = f"{found.uncertainty.coverage_factor:.2f}" if found.uncertainty else ""
    return found.name, value, spread or "not stated", factor, place(found.where, findings.units)


def _points_table(findings: Findings, points: Sequence[Point]) -> Table:
    rows = [
        (
            f"{findings.units.load_text(point.load)} {point.direction.value}",
            f"{findings.units.shown_output(point.net_output.value):.7g}",
            f"{100.0 * point.deviation.value:+.4f}",
            "" if point.deviation.expanded is None else f"{100 * point.deviation.expanded:.4f}",
            "" if point.spread is None else f"{findings.units.shown_output(point.spread):.3g}",
        )
        for point in points
    ]
    shown = findings.units.output_shown
    columns = ("load", f"net output, {shown}", "deviation, %RO", "U, %RO", f"spread, {shown}")
    return Table(f"Residuals from the {findings.line.words} line", columns, tuple(rows))


def _curve_parts(findings: Findings) -> Iterator[Table | str]:
    curve = findings.polynomial
    if curve is None:
        return
    yield _coefficients_table(findings, curve)
    lack = curve.lack_of_fit()
    if lack is not None:
        word = "significant" if lack.significant else "not significant"
        yield f"lack of fit: F {lack.f_ratio:.5g} against {lack.critical:.4g} (5 %): {word}"
    yield _curve_residuals(findings, curve)
    for output, found in findings.solved:
        load = result_text(found.value, found.expanded, findings.units.load)
        shown = f"{findings.units.shown_output(output):.7g} {findings.units.output_shown}"
        yield f"output {shown} stands for the load {load}"


def _coefficients_table(findings: Findings, curve: Polynomial) -> Table:
    """Coefficients for loads and outputs in the person's own units."""
    scale = findings.units.shown_output(1.0)
    rows = [
        (f"B{power}", f"{value * scale:.12e}", f"{deviation * scale:.3e}")
        for power, (value, deviation) in enumerate(
            zip(curve.coefficients, curve.standard_deviations, strict=True)
        )
    ]
    because = f", {findings.curve.because}" if isinstance(findings.curve, DegreeChoice) else ""
    title = f"Calibration curve of degree {curve.degree}{because}"
    return Table(title, ("coefficient", "value", "standard deviation"), tuple(rows))


def _curve_residuals(findings: Findings, curve: Polynomial) -> Table:
    shown = findings.units.output_shown
    rows = [
        (
            findings.units.load_text(float(load)),
            f"{findings.units.shown_output(float(output)):.7g}",
            f"{findings.units.shown_output(float(residual)):+.3g}",
        )
        for load, output, residual in zip(
            curve.data.loads, curve.data.outputs, curve.residuals, strict=True
        )
    ]
    deviation = findings.units.shown_output(curve.residual_deviation)
    title = f"Residuals from the curve, standard deviation {deviation:.4g} {shown}"
    return Table(title, ("load", f"output, {shown}", f"residual, {shown}"), tuple(rows))


def _force_parts(findings: Findings) -> Iterator[Table | str]:
    if findings.factor is not None:
        found = findings.factor
        yield (
            f"lower limit factor: {findings.units.load_text(found.in_load)}"
            + (" (at the resolution)" if found.at_resolution else "")
            + f"; loading range from {findings.units.load_text(found.lower_limit_a)} (A), "
            f"{findings.units.load_text(found.lower_limit_aa)} (AA)"
        )
    if findings.forces is not None:
        yield _force_table(findings.forces, findings.units)
        reached = findings.forces.reached or "none of the classes"
        yield f"reached: {reached}; {findings.forces.status}"


def _force_table(forces: ForceResults, units: Units) -> Table:
    names = ("reproducibility", "repeatability", "interpolation", "reversibility")
    rows = []
    for each in forces.indices:
        sizes = each.named()
        cells = ("" if sizes[n] is None else f"{100.0 * (sizes[n] or 0.0):.4f}" for n in names)
        rows.append((units.load_text(each.force), *cells))
    columns = ("force", *(f"{name}, %" for name in names))
    return Table(f"Indices; {forces.status}", columns, tuple(rows))
