"""`bridgebench analyse load-series FILE.csv`: a load series that was taken anywhere."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from acq.desk.exit_codes import ExitCode
from acq.desk.influence_options import stated_influences, uncertainty_options
from acq.desk.numbers import NUMBER, POSITIVE
from acq.errors import WrongInput

if TYPE_CHECKING:
    from acq.analysis.degree_choice import DegreeChoice
    from acq.analysis.load_results import LoadResults
    from acq.analysis.load_series import LoadSeries
    from acq.analysis.oiml_r60_results import LoadTest
    from acq.analysis.polynomial import Polynomial
    from acq.analysis.propagation import Influence, Result
    from acq.desk.load_series_findings import Findings
    from acq.desk.load_units import Units

COLUMNS = ("run", "load", "output")
OPTIONAL_COLUMNS = ("direction", "excitation", "time")
LINES = ("terminal", "zero", "least-squares", "minimax", "seventy-five")


@dataclass(frozen=True, slots=True)
class Request:
    """The options as they were given."""

    line: str | None
    degree: str | None
    class_: str | None
    capacity: str | None
    minimum_load: str | None
    apportioning: float
    temperature: float | None
    rule: str
    solve_load: tuple[str, ...]
    same_load_within: str | None
    lower_limit_factor: bool
    resolution: str | None
    positions: str | None
    table: Path | None

    @property
    def only_curve(self) -> bool:
        """Whether just a curve was asked for, which needs no zero reading."""
        asked = self.degree or self.solve_load or self.lower_limit_factor or self.positions
        return bool(asked) and self.line is None and self.class_ is None


@click.command("load-series")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="One document on standard output.")
@click.option("--load-unit", metavar="UNIT", help="kg (default), g, t, lb, N, kN, lbf, ...")
@click.option("--output-unit", metavar="UNIT", help="mV/V (default), V/V, mV, V, counts, ...")
@click.option("--line", type=click.Choice(LINES), help="Line for linearity; terminal by default.")
@click.option("--degree", metavar="N|auto", help="Calibration curve of this degree, 1 to 5.")
@click.option("--class", "class_", metavar="C3", help="Limits of a class of OIML R 60.")
@click.option("--capacity", metavar="LOAD", help="Emax: rated output and class belong to it.")
@click.option("--minimum-load", metavar="LOAD", help="Dmin, the load of the zero; 0 by default.")
@click.option("--apportioning", type=POSITIVE, default=0.7, show_default=True, help="p_LC.")
@click.option("--temperature", type=NUMBER, metavar="DEGC", help="Temperature of the test, degC.")
@click.option(
    "--rule", default="simple acceptance", show_default=True, help="Decision rule for the class."
)
@click.option("--solve-load", multiple=True, metavar="OUTPUT", help="The load for an output.")
@click.option(
    "--same-load-within", metavar="LOAD", help="Loads this near to one another are one level."
)
@click.option("--lower-limit-factor", is_flag=True, help="In the manner of ASTM E74.")
@click.option("--resolution", metavar="OUTPUT", help="Resolution of the indicator.")
@click.option(
    "--positions", metavar="0,0,120,240", help="Position of each run, degrees: force indices."
)
@click.option(
    "--table", type=click.Path(path_type=Path), help="Your own values for either of the last two."
)
@uncertainty_options
@click.option("--plots", type=click.Path(path_type=Path), help="Folder for pictures (SVG).")
def load_series(
    file: Path,
    as_json: bool,
    load_unit: str | None,
    output_unit: str | None,
    reading_uncertainty: str | None,
    gain_uncertainty: float | None,
    load_uncertainty: float | None,
    influences: Path | None,
    plots: Path | None,
    **options: Any,
) -> ExitCode:
    """Results of a load series from a file of readings.

    Columns are run, load, output and, where there are, direction (up or down), excitation (V),
    time and note. The zero of each run is its first reading.
    """
    from acq.desk.series_csv import load_readings, naming, read_sheet

    request = Request(**options)
    sheet = read_sheet(file, COLUMNS, OPTIONAL_COLUMNS)
    readings, units = load_readings(sheet, load_unit, output_unit)
    stated = stated_influences(
        units,
        reading=reading_uncertainty,
        gain_ppm=gain_uncertainty,
        load_ppm=load_uncertainty,
        file=influences,
    )
    with naming(sheet):
        series = _series(request, units, readings)
        findings = _findings(request, sheet.file, units, series, stated)
    _write(findings, as_json, plots)
    return findings.code


def _series(request: Request, units: Units, readings: Any) -> LoadSeries:
    from acq.analysis.load_series import at_levels, load_series

    within = _load(request.same_load_within, units, "--same-load-within")
    if within is not None:
        readings = at_levels(readings, within)
    minimum = _load(request.minimum_load, units, "--minimum-load") or 0.0
    return load_series(readings, minimum, capacity=_load(request.capacity, units, "--capacity"))


def _load(text: str | None, units: Units, option: str) -> float | None:
    return None if text is None else units.read_load(text, option)


def _findings(
    request: Request,
    file: str,
    units: Units,
    series: LoadSeries,
    stated: tuple[Influence, ...],
) -> Findings:
    from acq.analysis.load_results import load_results
    from acq.analysis.reference_lines import Line
    from acq.desk.load_series_findings import Findings

    capacity = _load(request.capacity, units, "--capacity")
    line = Line(request.line or "terminal")
    results, why = _results(request, series, line, capacity, stated)
    terminal = None
    if results is not None:
        terminal = load_results(series, line=Line.TERMINAL, capacity=capacity, sources=stated)
    curve = _curve(request, series)
    polynomial = curve.chosen if curve is not None and hasattr(curve, "chosen") else curve
    return Findings(
        file=file,
        series=series,
        units=units,
        line=line,
        results=results,
        terminal=terminal,
        without_results=why,
        curve=curve,
        solved=_solved(request, units, polynomial, stated),
        test=_class_test(request, series, capacity, stated),
        rule=_checked_rule(request.rule),
        temperature_c=request.temperature,
        factor=_factor(request, units, polynomial),
        forces=_forces(request, series, stated),
    )


def _solved(
    request: Request,
    units: Units,
    polynomial: Polynomial | None,
    stated: tuple[Influence, ...],
) -> list[tuple[float, Result]]:
    """Return (output, load) of every output that is to be solved; the units are the file's."""
    from acq.analysis.polynomial import OutsideRange

    found: list[tuple[float, Result]] = []
    if polynomial is None:
        return found
    for text in request.solve_load:
        output = units.read_output(text)
        try:
            found.append((output, polynomial.load_for(output, stated)))
        except OutsideRange as error:
            ends = (units.shown_output(each) for each in (error.low, error.high))
            low, high = (f"{each:.6g} {units.output_shown}" for each in ends)
            raise WrongInput(
                f"--solve-load {text!r} is outside the calibrated range, {low} to {high}"
            ) from error
    return found


def _results(
    request: Request,
    series: LoadSeries,
    line: Any,
    capacity: float | None,
    stated: tuple[Influence, ...],
) -> tuple[LoadResults | None, str]:
    """Return the results; where only a curve was asked for, why there are none instead."""
    from acq.analysis.load_results import load_results
    from acq.analysis.load_series import SeriesError

    try:
        return load_results(series, line=line, capacity=capacity, sources=stated), ""
    except SeriesError as error:
        if not request.only_curve:
            raise
        return None, f"no results beside the curve: {error}"


def _curve(request: Request, series: LoadSeries) -> DegreeChoice | Polynomial | None:
    from acq.analysis.calibration_data import calibration_data
    from acq.analysis.degree_choice import choose_degree
    from acq.analysis.polynomial import fit_polynomial

    wanted = request.degree
    if wanted is None and (request.solve_load or request.lower_limit_factor):
        wanted = "auto"
    if wanted is None:
        return None
    data = calibration_data(series)
    if wanted == "auto":
        return choose_degree(data)
    if wanted not in ("1", "2", "3", "4", "5"):
        raise WrongInput(f"--degree {wanted!r}: allowed are 1 to 5, or auto")
    return fit_polynomial(data, int(wanted))


def _class_test(
    request: Request, series: LoadSeries, capacity: float | None, stated: tuple[Influence, ...]
) -> LoadTest | None:
    from acq.analysis.oiml_r60 import accuracy_class
    from acq.analysis.oiml_r60_results import load_test

    if request.class_ is None:
        return None
    accuracy = accuracy_class(request.class_)
    if capacity is None:
        raise WrongInput("--class needs --capacity: limits are parts of the capacity")
    return load_test(series, accuracy, capacity, apportioning=request.apportioning, sources=stated)


def _checked_rule(rule: str) -> str:
    from acq.readings.rules import Rule

    return str(Rule.named(rule))


def _factor(request: Request, units: Units, polynomial: Polynomial | None) -> Any:
    from acq.analysis.astm_e74 import SHIPPED, e74_table, lower_limit_factor

    if not request.lower_limit_factor or polynomial is None:
        return None
    resolution = 0.0 if request.resolution is None else abs(units.read_output(request.resolution))
    return lower_limit_factor(polynomial, e74_table(request.table or SHIPPED), resolution)


def _forces(request: Request, series: LoadSeries, stated: tuple[Influence, ...]) -> Any:
    from acq.analysis.iso_376 import SHIPPED, force_results, force_table

    if request.positions is None:
        return None
    try:
        positions = [NUMBER.convert(text, None, None) for text in request.positions.split(",")]
    except click.BadParameter:
        raise WrongInput(f"--positions {request.positions!r}: degrees, comma between") from None
    if len(positions) != len(series.runs):
        raise WrongInput(
            f"--positions names {len(positions)} positions, the file has {len(series.runs)} runs"
        )
    table = force_table(request.table or SHIPPED)
    return force_results(series, dict(zip(series.runs, positions, strict=True)), table, stated)


def _write(findings: Findings, as_json: bool, folder: Path | None) -> None:
    from acq.desk.load_series_json import document
    from acq.desk.load_series_pictures import pictures
    from acq.desk.load_series_text import parts
    from acq.desk.pictures import write_pictures
    from acq.desk.tables import show

    written = write_pictures(folder, pictures(findings)) if folder else []
    if as_json:
        told = document(findings) | {"plots": [str(path) for path in written]}
        click.echo(json.dumps(told, ensure_ascii=False, indent=2))
        return
    show(parts(findings))
    for path in written:
        click.echo(f"picture: {path}")
