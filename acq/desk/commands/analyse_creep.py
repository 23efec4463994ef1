"""`bridgebench analyse creep FILE.csv`: a creep record that was taken anywhere."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from acq.desk.exit_codes import ExitCode
from acq.desk.influence_options import stated_influences, uncertainty_options
from acq.desk.numbers import NOT_NEGATIVE, NUMBER
from acq.errors import WrongInput

if TYPE_CHECKING:
    from acq.analysis.creep import CreepRecord
    from acq.analysis.oiml_r60_results import CreepTest
    from acq.analysis.propagation import Influence
    from acq.desk.creep_report import CreepFindings
    from acq.desk.load_units import Units

COLUMNS = ("time", "load", "output")
OPTIONAL_COLUMNS = ("excitation",)


@click.command("creep")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="One document on standard output.")
@click.option("--load-unit", metavar="UNIT", help="kg (default), g, t, lb, N, kN, lbf, ...")
@click.option("--output-unit", metavar="UNIT", help="mV/V (default), V/V, mV, V, counts, ...")
@click.option("--class", "class_", metavar="C3", help="Limits of a class of OIML R 60.")
@click.option("--capacity", metavar="LOAD", help="Emax: the class belongs to it.")
@click.option(
    "--return-time",
    type=NOT_NEGATIVE,
    metavar="SECONDS",
    help="From the start of unloading to the first reading after it.",
)
@click.option("--temperature", type=NUMBER, metavar="DEGC", help="Temperature of the test, degC.")
@click.option(
    "--rule", default="simple acceptance", show_default=True, help="Decision rule for the class."
)
@uncertainty_options
@click.option("--plots", type=click.Path(path_type=Path), help="Folder for pictures (SVG).")
def creep(
    file: Path,
    as_json: bool,
    load_unit: str | None,
    output_unit: str | None,
    class_: str | None,
    capacity: str | None,
    return_time: float | None,
    temperature: float | None,
    rule: str,
    reading_uncertainty: str | None,
    gain_uncertainty: float | None,
    load_uncertainty: float | None,
    influences: Path | None,
    plots: Path | None,
) -> ExitCode:
    """Creep, time constants and return to minimum load from a file of readings.

    Columns are time (seconds, hh:mm:ss or ISO 8601), load, output and, where there are,
    excitation (V) and note: minimum load, maximum load for 30 min, minimum load again.
    """
    from acq.analysis.creep import creep_record, creep_results
    from acq.desk.creep_report import CreepFindings
    from acq.desk.series_csv import creep_readings, naming, read_sheet
    from acq.readings.rules import Rule

    sheet = read_sheet(file, COLUMNS, OPTIONAL_COLUMNS)
    readings, units = creep_readings(sheet, load_unit, output_unit)
    stated = stated_influences(
        units,
        reading=reading_uncertainty,
        gain_ppm=gain_uncertainty,
        load_ppm=load_uncertainty,
        file=influences,
    )
    with naming(sheet):
        record = creep_record(readings)
        ratio, assumed = _time_ratio(record, units, class_, return_time)
        findings = CreepFindings(
            sheet.file,
            units,
            creep_results(record, stated),
            _class_test(record, units, class_, capacity, stated, ratio),
            str(Rule.named(rule)),
            temperature,
            assumed,
        )
    _write(findings, as_json, plots)
    return findings.code


def _time_ratio(
    record: CreepRecord, units: Units, class_: str | None, return_time: float | None
) -> tuple[float, tuple[str, ...]]:
    """Return actual over specified time of the reading after unloading, and what was assumed."""
    from acq.analysis.oiml_r60 import accuracy_class
    from acq.analysis.reading_times import reading_time_s

    if class_ is None:
        return 1.0, ()
    if return_time is None:
        return 1.0, ("reading times not stated: taken as those of R 60-2:2021, table 1",)
    if units.kind == "force":
        raise WrongInput("--return-time needs loads in mass: the times go by kilograms")
    change = units.si_load(record.maximum_load - record.minimum_load)
    return return_time / reading_time_s(change, accuracy_class(class_).letter), ()


def _class_test(
    record: CreepRecord,
    units: Units,
    class_: str | None,
    capacity: str | None,
    stated: tuple[Influence, ...],
    ratio: float,
) -> CreepTest | None:
    from acq.analysis.oiml_r60 import accuracy_class
    from acq.analysis.oiml_r60_results import creep_test

    if class_ is None:
        return None
    if capacity is None:
        raise WrongInput("--class needs --capacity: limits are parts of the capacity")
    emax = units.read_load(capacity, "--capacity")
    return creep_test(record, accuracy_class(class_), emax, sources=stated, time_ratio=ratio)


def _write(findings: CreepFindings, as_json: bool, folder: Path | None) -> None:
    from acq.desk.pictures import write_pictures
    from acq.desk.tables import show

    written = write_pictures(folder, findings.pictures()) if folder else []
    if as_json:
        told = findings.document() | {"plots": [str(path) for path in written]}
        click.echo(json.dumps(told, ensure_ascii=False, indent=2))
        return
    show(findings.parts())
    for path in written:
        click.echo(f"picture: {path}")
