"""`bridgebench cell add|show|list|import`: which cells there are and what their papers say."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from acq.desk.exit_codes import ExitCode

if TYPE_CHECKING:
    from acq.cells.cell import Cell
    from acq.cells.mapping import ColumnMapping
    from acq.readings.rules import Limit


@click.group()
def cell() -> None:
    """Cells and their papers."""


@cell.command("list")
@click.option("--json", "as_json", is_flag=True, help="One JSON document.")
def list_cells(as_json: bool) -> ExitCode:
    """List every serial, the workshop's own and the invented examples.

    A serial whose papers cannot be read is told after the others; the exit code is then 2.
    """
    from acq.cells.folder import find_cell, known_serials
    from acq.errors import WrongInput
    from drivers.written_file import FileError

    found: list[Cell] = []
    broken: dict[str, list[str]] = {}  # one wrong data sheet spoils every serial of its type
    for serial in known_serials():
        try:
            found.append(find_cell(serial))
        except (FileError, WrongInput) as error:
            broken.setdefault(str(error), []).append(serial)
    if as_json:
        click.echo(json.dumps([_short(each) for each in found]))
    else:
        for each in found:
            row = _short(each)
            sheet = row["sheet"] or "no calibration sheet"
            click.echo(f"{row['serial']:<16} {row['type']:<14} {row['capacity'] or '':<10} {sheet}")
    for why, serials in broken.items():
        click.echo(f"bridgebench: not listed: {', '.join(serials)}: {why}", err=True)
    return ExitCode.WRONG_INPUT if broken else ExitCode.DONE


@cell.command()
@click.argument("serial")
@click.option(
    "--decides",
    default="data sheet",
    show_default=True,
    help="Which source decides: data sheet, own calibration sheet, history, lot.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON document.")
def show(serial: str, decides: str, as_json: bool) -> None:
    """Show the papers of SERIAL, what they allow, and its limits with their sources."""
    from acq.cells.folder import find_cell
    from acq.cells.limit_plan import LimitPlan
    from acq.cells.limits import Limits
    from drivers.written_file import check

    found = find_cell(serial)
    plan = check("--decides", {"decides": decides}, LimitPlan)
    limits = _limits(found, Limits(found, plan))
    if as_json:
        click.echo(json.dumps(_document(found, limits)))
        return
    for line in _allowed(found):
        click.echo(line)
    for name, each in limits.items():
        for limit in each:
            click.echo(f"  {name:<28} {'decides' if limit.decides else '       '}  {limit}")


@cell.command()
@click.argument("serial")
@click.option("--type", "type_", help="Its type; asked when left out.")
def add(serial: str, type_: str | None) -> None:
    """Add SERIAL: asks its type, the type's data sheet if it is new, and its own sheet."""
    from acq.cells.folder import known_serials, known_types
    from acq.cells.keeping import check_name, keep_cell
    from acq.desk.commands.sheet import add_data_sheet, ask_sheet
    from acq.errors import WrongInput

    if check_name(serial) in known_serials():
        raise WrongInput(f"cell {serial} is known already; add a paper with sheet add {serial}")
    chosen = type_ or click.prompt(f"type (known: {', '.join(known_types())})", err=True)
    if chosen not in known_types():
        click.echo(f"no data sheet of type {chosen} yet: here it comes", err=True)
        add_data_sheet(chosen)
    table: dict[str, Any] = {"serial": serial, "type": chosen}
    if click.confirm("is there an individual calibration sheet?", err=True):
        table["calibration_sheets"] = [ask_sheet()]
    click.echo(f"kept in {keep_cell(table)}")


@cell.command("import")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--map", "mapping", help="A saved mapping: its name or its file.")
@click.option("--save", help="Name under which a mapping asked now is saved.")
@click.option("--types", is_flag=True, help="The rows are data sheets, not serials.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document.")
def import_(file: Path, mapping: str | None, save: str | None, types: bool, as_json: bool) -> None:
    """Import papers from a CSV or XLSX FILE by a column mapping; without --map it is asked."""
    from acq.cells.imports import find_mapping, import_papers, keep_mapping

    chosen = find_mapping(mapping) if mapping else _asked_mapping(file, types)
    found = import_papers(file, chosen)
    if save:
        click.echo(f"mapping kept in {keep_mapping(save, chosen)}", err=True)
    if as_json:
        click.echo(json.dumps({"new": found.new, "added": found.added}))
        return
    for what, names in (("new", found.new), ("further sheet", found.added)):
        for name in names:
            click.echo(f"{what}: {name}")


def _asked_mapping(file: Path, types: bool) -> ColumnMapping:
    from acq.cells.mapping import ColumnMapping, field_names
    from acq.cells.paper_tables import read_paper_table
    from drivers.written_file import check

    kind: Literal["cells", "types"] = "types" if types else "cells"
    fields = sorted(field_names(kind))
    columns: dict[str, dict[str, str]] = {}
    click.echo(f"fields: {', '.join(fields)}", err=True)
    for name in read_paper_table(file).columns:
        field = _asked_field(name, fields)
        if field:
            columns[name] = {"field": field} | _asked_unit(field)
    table: dict[str, Any] = {"kind": kind, "columns": columns}
    if not types and not any(column["field"] == "type" for column in columns.values()):
        table["constants"] = {"type": click.prompt("type of all of them", err=True)}
    return check("mapping", table, ColumnMapping)


def _asked_field(column: str, fields: list[str]) -> str:
    while True:
        question = f"column {column!r} is which field (blank: leave it out)"
        answer: str = click.prompt(question, default="", show_default=False, err=True).strip()
        if not answer or answer in fields:
            return answer
        click.echo(f"  no field {answer!r}", err=True)


def _asked_unit(field: str) -> dict[str, str]:
    if field in ("serial", "type"):
        return {}
    if field == "date":
        question = "  date format (blank: YYYY-MM-DD; else such as %d.%m.%Y)"
        asked = click.prompt(question, default="", show_default=False, err=True).strip()
        return {"date_format": asked} if asked else {}
    question = "  unit of its numbers (blank: the cells hold it, or it is text)"
    unit = click.prompt(question, default="", show_default=False, err=True).strip()
    return {"unit": unit} if unit else {}


def _short(found: Cell) -> dict[str, Any]:
    return {
        "serial": found.serial,
        "type": found.data_sheet.type,
        "capacity": str(found.capacity) if found.capacity else None,
        "sheet": found.sheet.name if found.sheet else None,
        "note": found.note,
    }


def _limits(found: Cell, limits: Any) -> dict[str, tuple[Limit, ...]]:
    pairs = found.lead_pairs if _wires(found) else ()
    named = {f"resistance {pair}": limits.resistance(pair) for pair in pairs}
    named |= {"zero balance": limits.zero_balance, "rated output": limits.rated_output}
    named |= {"insulation leads to housing": limits.insulation()}
    return {name: each for name, each in named.items() if each}


def _wires(found: Cell) -> int | None:
    """Return the number of wires; None where the papers leave it blank."""
    from acq.errors import WrongInput

    try:
        return found.wires
    except WrongInput:
        return None


def _allowed(found: Cell) -> list[str]:
    from acq.readings.units import format_value

    sheet = found.data_sheet
    maximum = found.maximum_excitation
    lines = [
        f"{found.serial}  {sheet.name}  {sheet.construction}  {found.note}".rstrip(),
        f"  capacity {found.capacity or 'not stated'}, {_wires(found) or '?'}-wire, "
        f"{sheet.compensation.layout} compensation",
        f"  excitation {found.excitation:g} V, never above "
        f"{'what is not stated' if maximum is None else format_value(maximum, 'V')}",
        f"  insulation test at {found.insulation_voltage:g} V",
    ]
    for text, objection in (
        ("no insulation test", found.insulation_objection),
        ("no test as a plain bridge", found.bridge_objection),
        ("no reversed excitation", found.reversal_objection),
    ):
        if objection:
            lines.append(f"  {text}: {objection}")
    return lines


def _document(found: Cell, limits: dict[str, tuple[Limit, ...]]) -> dict[str, Any]:
    return {
        "cell": found.model_dump(mode="json"),
        "wires": _wires(found),
        "excitation": found.excitation,
        "maximum_excitation": found.maximum_excitation,
        "insulation_voltage": found.insulation_voltage,
        "objections": {
            "bridge": found.bridge_objection,
            "insulation": found.insulation_objection,
            "reversal": found.reversal_objection,
        },
        "limits": {name: [limit.to_json() for limit in each] for name, each in limits.items()},
    }
