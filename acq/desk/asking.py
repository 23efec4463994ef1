"""Papers asked field by field: an example beside each question, a blank for a gap on the paper.

Every answer is checked at once, together with those before it, by the model that the file is
read with; a wrong one is told why and asked again. A single dot ends the questions.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from datetime import date
from typing import Any, Literal, get_args, get_origin

import click
from pydantic import BaseModel, BeforeValidator

from drivers.written_file import FileError, Written, check

END = "."
EXAMPLES: dict[str, str] = {
    "capacity": "500 kg, 5 kN or 1000 lb",
    "minimum_dead_load": "0 kg",
    "safe_load": "150 %",
    "ultimate_load": "300 %",
    "accuracy_class": "C3",
    "y": "10000",
    "z": "3000",
    "rated_output": "2 mV/V ± 0.1 %",
    "rated_output_uncertainty": "0.02 %RO",
    "rated_output_other_direction": "-1.9995 mV/V",
    "zero_balance": "± 1 %RO",
    "zero_balance_uncertainty": "0.0005 mV/V",
    "temperature_effect_zero": "0.014 %RO/10 K",
    "temperature_effect_span": "0.011 %RO/10 K",
    "compensated_temperature": "-10 to 40 degC",
    "operating_temperature": "-30 to 70 degC",
    "input_resistance": "385 ± 12 ohm",
    "output_resistance": "351 ± 2 ohm",
    "resistance_uncertainty": "0.05 ohm",
    "insulation_resistance": ">= 5 Gohm",
    "insulation_voltage": "50 V",
    "insulation_voltage_maximum": "50 V",
    "excitation": "5 to 12 V",
    "excitation_maximum": "15 V",
    "supply_current": "<= 20 mA",
    "bridges": "1",
    "arm": "C",
    "linked_to": "Ex-",
    "shunt_output": "1.330 mV/V",
    "shunt_output_uncertainty": "0.002 mV/V",
    "output": "1.33 mV/V ± 1 %",
    "leg": "17 ohm",
    "length": "5 m",
    "cable_length": "5 m",
    "conductor_area": "0.25 mm2",
    "resistance": "0.07 ohm/m",
    "maximum_voltage": "14 V",
    "maximum_current": "100 mA",
    "maximum_power": "0.8 W",
    "deflection": "0.38 mm",
    "natural_frequency": "800 Hz",
    "mounting_torque": "70 N m",
    "temperature": "22.3 degC",
    "relative_humidity": "41 %",
    "gravity": "9.8118 m/s2",
    "position": "upright, as in use",
}
OF_A_SHEET = {
    "rated_output": "2.0011 mV/V or 20.011 mV at 10 V",
    "zero_balance": "-0.0064 mV/V",
    "input_resistance": "385.1 ohm",
    "output_resistance": "351.3 ohm",
    "insulation_resistance": "> 20 Gohm",
    "excitation": "10 V",
}
SHARES: tuple[str, ...] = (
    "combined_error",
    "non_linearity",
    "hysteresis",
    "repeatability",
    "creep_30_min",
)
SHARES += ("zero_return", "off_centre_error")


def ask_model(
    model: type[Written],
    given: Mapping[str, Any],
    *,
    first: tuple[str, ...] = (),
    leave_out: tuple[str, ...] = (),
    examples: Mapping[str, str] | None = None,
) -> dict[str, Any]:
    """Return the answers as the sheet keeps them, `given` first; blanks are left out.

    `first` are asked before the others: what must not be missed when the questions end early.
    """
    answers: dict[str, Any] = dict(given)
    for name in (*first, *(each for each in model.model_fields if each not in first)):
        field = model.model_fields[name]
        if name in given or name in leave_out or _nested(field.annotation):
            continue
        answer = _ask(model, answers, name, _hint(name, field.annotation, examples or {}))
        if answer == END:
            break
        if answer is not None:
            answers[name] = answer
    return answers


def ask_part(
    model: type[Written],
    answers: dict[str, Any],
    key: str,
    given: Mapping[str, Any] | None = None,
    examples: Mapping[str, str] | None = None,
) -> dict[str, Any]:
    """Ask a table within a sheet, such as the cable; return the sheet's answers with it."""
    click.echo(f"{key.replace('_', ' ')}:", err=True)
    part = ask_model(model, given or {}, leave_out=("colours",), examples=examples)
    return answers | {key: part} if part else answers


def ask_rows(question: str, example: str) -> list[list[float]]:
    """Ask rows of two numbers until a blank; a row that is none is asked again."""
    rows: list[list[float]] = []
    while True:
        asked = f"{question} ({example}; blank ends)"
        text = click.prompt(asked, default="", show_default=False, err=True)
        if not text.strip():
            return rows
        try:
            load, output = (float(part) for part in text.replace(",", ".").split())
        except ValueError:
            load = output = math.nan
        if not (math.isfinite(load) and math.isfinite(output)):
            click.echo(f"  two numbers are needed, such as {example}", err=True)
            continue
        rows.append([load, output])


def _ask(model: type[Written], answers: dict[str, Any], name: str, hint: str) -> Any:
    """Return the checked answer, None for a blank, END for a dot."""
    label = name.replace("_", " ")
    while True:
        text = click.prompt(f"{label}{hint}", default="", show_default=False, err=True).strip()
        if text in ("", END):
            return text or None
        value = _typed(model, name, text)
        if isinstance(value, float) and not math.isfinite(value):
            click.echo("  a finite number is needed", err=True)
            continue
        try:
            check("answers", {**answers, name: value}, model)
        except FileError as error:
            if error.key.partition(".")[0] in (name, ""):
                click.echo(f"  {error.reason}", err=True)
                continue
        return value


def _typed(model: type[BaseModel], name: str, text: str) -> Any:
    """Return what the file shall hold: numbers, dates and yes or no as such, all else as typed."""
    kinds = _kinds(model.model_fields[name].annotation)
    if date in kinds:
        try:
            return date.fromisoformat(text)
        except ValueError:
            return text
    if bool in kinds:
        return {"y": True, "yes": True, "n": False, "no": False}.get(text.lower(), text)
    field = model.model_fields[name]
    of_choice = next((c for c in _choices(field.annotation) if str(c) == text), None)
    if of_choice is not None:
        return of_choice
    with_unit = any(isinstance(each, BeforeValidator) for each in field.metadata)
    return text if with_unit or not {int, float} & set(kinds) else _plain_number(text)


def _plain_number(text: str) -> int | float | str:
    for read in (int, float):
        try:
            return read(text)
        except ValueError:
            continue
    return text


def _hint(name: str, annotation: Any, examples: Mapping[str, str]) -> str:
    choices = [str(choice) for choice in _choices(annotation)]
    if choices:
        return f" ({', '.join(choices)})"
    if date in _kinds(annotation):
        return " (YYYY-MM-DD)"
    if bool in _kinds(annotation):
        return " (y or n)"
    example = examples.get(name) or EXAMPLES.get(name) or ("0.02 %" if name in SHARES else "")
    return f" (such as {example})" if example else ""


def _choices(annotation: Any) -> Iterator[Any]:
    for kind in (annotation, *get_args(annotation)):
        if get_origin(kind) is Literal:
            yield from get_args(kind)


def _kinds(annotation: Any) -> tuple[Any, ...]:
    return (annotation, *get_args(annotation))


def _nested(annotation: Any) -> bool:
    return any(
        (isinstance(kind, type) and issubclass(kind, BaseModel)) or get_origin(kind) is tuple
        for kind in _kinds(annotation)
    )
