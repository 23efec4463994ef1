"""`bridgebench bench read ROLE QUANTITY`: one reading, with the uncertainty that it has here."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from acq.desk.bench_in_use import VARIABLE, bench_options
from acq.desk.exit_codes import ExitCode
from acq.desk.numbers import POSITIVE

if TYPE_CHECKING:
    from datetime import date

    from acq.bench.bench_file import BenchFile
    from acq.bench.hands import Hands
    from acq.readings.reading import Reading
    from drivers.time import Time


@click.command()
@click.argument("role")
@click.argument("quantity")
@click.option("--bench", type=click.Path(path_type=Path), envvar=VARIABLE, help="Bench file.")
@bench_options
@click.option("--range", "range_", type=POSITIVE, help="Range in SI units; automatic when absent.")
@click.option("--plc", type=POSITIVE, default=10.0, show_default=True, help="Integration time.")
@click.option("--prompts", is_flag=True, help="Answer prompts yourself on the simulated bench.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def read(
    role: str,
    quantity: str,
    bench: Path | None,
    simulated: bool,
    scenario: str,
    range_: float | None,
    plc: float,
    prompts: bool,
    as_json: bool,
) -> ExitCode:
    """Read QUANTITY (such as dc-voltage, resistance, temperature) from ROLE, once.

    Nothing is switched on and no relay is moved: it reads what is connected now.
    """
    from acq.bench.one_reading import read_once
    from acq.desk.bench_in_use import bench_in_use
    from acq.desk.tables import show

    with bench_in_use(bench, simulated=simulated, scenario=scenario) as used:
        hands = _hands(used.time, prompts=prompts)
        reading = read_once(used.file, used.folder, used.time, hands, role, quantity, range_, plc)
        told = told_of(used.file, reading, used.today())
    if as_json:
        document = as_document(reading, told) | {"simulated": used.simulated}
        click.echo(json.dumps(document, ensure_ascii=False, indent=2))
    else:
        show([as_line(reading, told) + (", SIMULATED" if used.simulated else "")])
    if told.why_not:
        click.echo(f"bridgebench: {told.why_not}", err=True)
    return ExitCode.DONE


def _hands(time: Time, *, prompts: bool) -> Hands:
    """Who reads an instrument without a link."""
    from acq.desk.answering import PersonAtTerminal
    from acq.runs.prompts import AskingHands
    from acq.runs.technicians import who_answers

    return AskingHands(who_answers(time, PersonAtTerminal(), prompts=prompts).answer)


@dataclass(frozen=True, slots=True)
class Told:
    """What the bench file says about a reading: correction of the certificate, and u after it."""

    correction: float = 0.0
    uncertainty: float | None = None
    why_not: str = ""  # why there is no uncertainty


def told_of(file: BenchFile, reading: Reading, today: date) -> Told:
    """Return correction and standard uncertainty by the bench file, or why there is none."""
    from acq.errors import WrongInput
    from acq.readings.measured import Bound
    from acq.readings.uncertainty import Uncertainties

    known = Uncertainties(
        {role: entry.accuracy_on(today) for role, entry in file.instruments.items()},
        corrections={role: entry.correction for role, entry in file.instruments.items()},
    )
    correction = known.correction(reading)
    try:
        measured = known.of(reading)
    except WrongInput as error:
        return Told(correction, None, str(error))
    return Told(correction, measured.u if isinstance(measured, Bound) else float(measured.u))


def as_document(reading: Reading, told: Told) -> dict[str, Any]:
    """Return the reading in SI, as a journal has it, corrected, with its standard uncertainty.

    `value` is what the instrument indicated; `corrected` has the certificate's correction added.
    """
    number = reading.value if reading.is_number else None
    return reading.to_json() | {
        "correction": told.correction,
        "corrected": None if number is None else number + told.correction,
        "standard_uncertainty": None if reading.value is None else told.uncertainty,
    }


def as_line(reading: Reading, told: Told) -> str:
    """Return the reading as people write it."""
    from acq.readings.units import format_bound, format_value

    uncertainty = told.uncertainty
    if reading.value is None:
        value = f"over range ({reading.limit})"
    elif reading.limit is not None:
        value = format_bound(reading.value, reading.limit, reading.unit)
    else:
        value = format_value(reading.value + told.correction, reading.unit, uncertainty)
    parts = [f"{reading.instrument} {reading.quantity}: {value}"]
    if told.correction:
        parts.append(f"corrected by {told.correction:+.3g} {reading.unit}")
    if uncertainty is not None and reading.value is not None:  # of a word there is none
        parts.append(f"standard uncertainty {format_value(uncertainty, reading.unit, uncertainty)}")
    if reading.range_ is not None:
        parts.append(f"range {format_value(reading.range_, reading.unit)}")
    return ", ".join([*parts, f"raw {reading.raw!r}"])
