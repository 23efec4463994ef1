"""`bridgebench wiring SERIAL`: what to clip where, for each test."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from acq.desk.exit_codes import ExitCode
from acq.errors import WrongInput

if TYPE_CHECKING:
    from acq.analysis.leads import Lead, LeadPair
    from acq.analysis.wiring import Clip, WiredCell, WiringPlan
    from acq.cells.cell import Cell

TESTS = ("ohms", "insulation", "zero", "load")


@click.command("wiring")
@click.argument("serial")
@click.option("--test", type=click.Choice(TESTS), help="Only this test; else all four.")
@click.option("--instrument-wires", type=click.Choice(["4", "6"]), default="6", show_default=True)
@click.option("--cable", metavar="OHMS", help="One conductor to the instrument, as '1.75 ohm'.")
@click.option(
    "--pair",
    "pairs",
    multiple=True,
    metavar="LEADS=OHMS",
    help="What was measured, by lead or colour: 'red black=385.1'. May be repeated.",
)
@click.option("--drawings", type=click.Path(path_type=Path), help="Folder for drawings (SVG).")
@click.option("--json", "as_json", is_flag=True, help="One document on standard output.")
@click.option("--cells", "folder", type=click.Path(path_type=Path), help="Folder of papers.")
def wiring(
    serial: str,
    test: str | None,
    instrument_wires: str,
    cable: str | None,
    pairs: tuple[str, ...],
    drawings: Path | None,
    as_json: bool,
    folder: Path | None,
) -> ExitCode:
    """Say what to clip where to test the cell SERIAL, as text and as drawings.

    Colours are those of this cell's papers and guesses until ohms agree: give measured pairs with
    --pair. Exit code 4: a measured pair does not agree.
    """
    from acq.analysis import wiring as plans
    from acq.cells.folder import find_cell
    from acq.desk.pictures import write_pictures

    cell = find_cell(serial, folder)
    evidence, doubts = _evidence(cell, pairs)
    wired = _wired(cell, evidence)
    instrument = plans.Instrument(int(instrument_wires), _ohms(cable) if cable else 0.0)
    wanted = [plans.WiringTest(name) for name in ([test] if test else TESTS)]
    made = [plans.wiring(wired, one, instrument) for one in wanted]
    written = write_pictures(drawings, _drawn(serial, made)) if drawings else []
    if as_json:
        told = {"cell": serial, "doubts": doubts, "plans": [_document(plan) for plan in made]}
        click.echo(json.dumps(told | {"drawings": [str(p) for p in written]}, indent=2))
    else:
        click.echo("\n".join(_lines(serial, made, doubts)))
        for path in written:
            click.echo(f"drawing: {path}")
    return ExitCode.UNDECIDED if doubts else ExitCode.DONE


def _ohms(text: str) -> float:
    from acq.cells.paper_units import OHMS, quantity

    try:
        return quantity(text, OHMS)
    except ValueError as error:
        raise WrongInput(f"--cable: {error}") from None


def _wired(cell: Cell, evidence: dict[Lead, str]) -> WiredCell:
    from acq.analysis.wiring import WiredCell

    sheet, limits = cell.data_sheet, cell.limits
    colours = sheet.cable.colours
    current = cell.current_limit(cell.excitation) if cell.lowest_input_resistance else None
    return WiredCell(
        name=cell.serial,
        wires=cell.wires,
        pairs=cell.lead_pairs,
        colours=colours,
        colours_from=sheet.name,
        shield=sheet.shield_to_housing,
        volts=cell.excitation,
        current_limit=current,
        insulation_volts=cell.insulation_voltage,
        input_ohms=cell.lowest_input_resistance,
        lead_ohms=cell.lead_ohms,
        expected={pair: _expected(limits.resistance(pair)) for pair in cell.lead_pairs},
        bridge_objection=cell.bridge_objection,
        insulation_objection=cell.insulation_objection,
        reversal_objection=cell.reversal_objection,
        evidence=evidence,
    )


def _expected(limits: tuple[Any, ...]) -> str:
    deciding = next((limit for limit in limits if limit.decides), None)
    if deciding is None or deciding.lower is None or deciding.upper is None:
        return ""
    paper = deciding.source.partition(":")[0]
    return f"{deciding.lower:.4g} to {deciding.upper:.4g} ohm ({paper})"


def _evidence(cell: Cell, texts: tuple[str, ...]) -> tuple[dict[Lead, str], list[str]]:
    """Return what agrees by lead, and a sentence for each pair that does not."""
    evidence: dict[Lead, str] = {}
    doubts: list[str] = []
    for text in texts:
        pair, ohms = _pair(cell, text)
        limit = next((one for one in cell.limits.resistance(pair) if one.decides), None)
        if limit is None or limit.lower is None or limit.upper is None:
            doubts.append(f"{pair}: the papers give nothing to compare {ohms:g} ohm with")
        elif limit.lower <= ohms <= limit.upper:
            told = f"{ohms:g} ohm to {{}}, as on the papers; sign not shown yet"
            evidence[pair.one] = told.format(pair.other)
            evidence[pair.other] = told.format(pair.one)
        else:
            doubts.append(
                f"{pair}: {ohms:g} ohm measured, {limit.lower:.4g} to {limit.upper:.4g} expected"
                f" ({limit.source}): other wires, or a fault; find the leads by ohms first"
            )
    return evidence, doubts


def _pair(cell: Cell, text: str) -> tuple[LeadPair, float]:
    from acq.analysis.leads import LeadPair
    from acq.cells.paper_units import number

    names, _, value = text.partition("=")
    words = names.split()
    by_colour = {colour.lower(): lead for lead, colour in cell.data_sheet.cable.colours.items()}
    by_lead = {lead.value.lower(): lead for lead in cell.leads}
    try:
        one, other = (by_lead.get(w.lower()) or by_colour[w.lower()] for w in words)
        return LeadPair.of(one, other), number(value.strip().removesuffix("ohm").strip())
    except (KeyError, ValueError):
        known = ", ".join([*by_lead, *by_colour])
        raise WrongInput(
            f"--pair {text!r}: write two of {known} and the ohms, as 'Ex+ Ex-=385.1'"
        ) from None


def _drawn(serial: str, made: list[WiringPlan]) -> dict[str, str]:
    from acq.analysis.wiring_drawing import drawing

    return {
        f"wiring-{plan.test.value}-{number}.svg": drawing(serial, situation)
        for plan in made
        for number, situation in enumerate(plan.situations, 1)
    }


def _lines(serial: str, made: list[WiringPlan], doubts: list[str]) -> list[str]:
    from acq.analysis.wiring_drawing import text_drawing

    lines = [f"DOES NOT AGREE: {doubt}" for doubt in doubts]
    for plan in made:
        lines.append(f"{serial}: {plan.test.value}")
        if plan.refused is not None:
            lines += [f"  not done: {plan.refused}", ""]
            continue
        lines += [f"  ! {caution}" for caution in plan.cautions]
        lines += [text_drawing(situation) for situation in plan.situations]
        lines.append("")
    notes = dict.fromkeys(note for plan in made for note in plan.notes)
    return [*lines, *(f"- {note}" for note in notes)]


def _document(plan: WiringPlan) -> dict[str, Any]:
    return {
        "test": plan.test.value,
        "refused": plan.refused,
        "cautions": list(plan.cautions),
        "notes": list(plan.notes),
        "situations": [
            {
                "title": situation.title,
                "clips": [_clip(clip) for clip in situation.clips],
                "links": list(situation.links),
                "notes": list(situation.notes),
            }
            for situation in plan.situations
        ],
    }


def _clip(clip: Clip) -> dict[str, Any]:
    return {
        "terminal": clip.terminal,
        "lead": clip.lead.value,
        "colour": clip.colour or None,
        "guessed": clip.guessed,
        "evidence": clip.evidence,
    }
