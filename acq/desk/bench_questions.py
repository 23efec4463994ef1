"""A bench asked role by role, as its instruments stand on the shelf and their manuals print it.

Blanks are allowed. Every answer is checked at once; a wrong one is told why and asked again.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import click

from acq.bench.bench_file import ROLES, BenchFile, Instrument, Weight
from acq.bench.instruments import kinds_of, open_instrument
from acq.bench.one_reading import QUANTITIES
from acq.bench.relay_file import Connections, RelayValues
from acq.desk import bench_answers as answers
from acq.desk.asking import ask_model
from acq.desk.bench_answers import HAND, WHO
from acq.errors import WrongInput
from acq.readings.correction import Correction, each_once
from acq.readings.printed_accuracy import read_printed
from acq.readings.specification import UNITS, Accuracy
from acq.readings.units import format_value
from drivers.dialect import Dialect, load_dialect, shipped_names
from drivers.errors import InstrumentError
from drivers.time import WallTime
from drivers.written_file import FileError, check

_ASKED_BY_ITSELF = (
    "maximum_amperes",
    "resource",
    "dialect",
    "options",
    "by_hand",
    "visa_library",
    "identity",
    "accuracy",
    "correction",
)
_EXAMPLES = {
    "description": "what stands on its front",
    "laboratory": "who calibrated it",
    "certificate": "number of the calibration certificate",
    "serial": "serial number",
    "accuracy_class": "F1",
    "nominal_kilograms": "20",
    "pieces": "1",
    "conventional_kilograms": "20.00012, from the certificate",
    "expanded_uncertainty_kilograms": "0.0001",
    "coverage_factor": "2",
    "contact_ohms": "0.3",
    "emf_volts": "1e-6",
    "isolation_ohms": "1e11",
    "maximum_volts": "150",
}


def ask_bench(folder: Path) -> dict[str, Any]:
    """Return the answers as the table of a bench file; `folder` is where own dialects lie."""
    click.echo("blank: nothing to say; . ends the questions about one thing", err=True)
    table: dict[str, Any] = {"name": answers.text("name of the bench", "Bench 1")}
    table["timezone"] = answers.until_right("time zone, such as Europe/Berlin", answers.zone, "UTC")
    instruments = {}
    for role in ROLES:
        if entry := ask_role(role, folder):
            instruments[role] = entry
    table["instruments"] = instruments
    if "scanner" in instruments and not instruments["scanner"].get("by_hand"):
        table["connections"] = ask_connections()
        ask_shared_current(table)
    if weights := _many("weights: is there one more?", lambda: _model(Weight)):
        table["weights"] = weights
    return table


def ask_role(role: str, folder: Path) -> dict[str, Any]:
    """Return one role's table; empty when the bench has none."""
    click.echo(f"\n{role}", err=True)
    where = answers.until_right(
        f"{role}: its VISA resource ({WHO} lists ports), {HAND} when a person reads it,"
        " blank when there is none",
        answers.resource,
        "",
    )
    if not where:
        return {}
    given = {"by_hand": True} if where == HAND else _ask_language(role, folder, where)
    entry = ask_model(Instrument, given, leave_out=_ASKED_BY_ITSELF, examples=_EXAMPLES)
    if accuracy := ask_accuracies(role):
        entry["accuracy"] = accuracy
    if any("within_days" in each for each in accuracy) and "calibrated" not in entry:
        asked = f"{role}: its accuracy holds for a time after calibration: calibrated on"
        entry["calibrated"] = answers.needed(asked, answers.day)
    known = bool(accuracy or entry.get("certificate"))
    if corrections := ask_corrections(role) if known else []:
        entry["correction"] = corrections
    return entry


def ask_corrections(role: str) -> list[dict[str, Any]]:
    """Return the corrections of a calibration certificate, table by table until a blank."""
    known = QUANTITIES.get(role, ())
    tables: list[dict[str, Any]] = []
    while known:
        asked = f"corrections from the certificate of {role}, which quantity? (blank: none)"
        quantity = answers.until_right(asked, lambda typed: answers.one_of(typed, known), "")
        if not quantity:
            break
        unit = UNITS[quantity]
        table: dict[str, Any] = {"quantity": quantity}
        range_ = answers.until_right(
            f"range (in {unit}; blank: every range)", answers.si(unit), None
        )
        if range_ is not None:
            table["range"] = range_
        factor = answers.until_right("coverage factor of its uncertainties", answers.positive, 2.0)
        table["coverage_factor"] = factor
        asked = (
            f"point (in {unit}): indication, correction to add, expanded uncertainty; blank ends"
        )
        points = []
        while (point := answers.until_right(asked, answers.point(unit), None)) is not None:
            points.append(point)
        table["points"] = sorted(points, key=lambda each: each["at"])
        try:
            each_once([Correction.model_validate(each) for each in (*tables, table)])
        except ValueError as error:
            click.echo(f"  {str(error).splitlines()[-1].strip()}: once more", err=True)
            continue
        tables.append(table)
    return tables


def ask_accuracies(role: str) -> list[dict[str, Any]]:
    """Return the accuracy entries of a role, asked quantity by quantity until a blank."""
    known = QUANTITIES.get(role, ())
    entries: list[dict[str, Any]] = []
    while known:
        asked = f"accuracy of {role}, which quantity? ({', '.join(known)}; blank ends)"
        quantity = answers.until_right(asked, lambda typed: answers.one_of(typed, known), "")
        if not quantity:
            break
        if (entry := _ask_accuracy(quantity, entries[-1] if entries else {})) is not None:
            entries.append(entry)
            click.echo(f"  taken down: {told(entry)}", err=True)
    return entries


def ask_connections() -> dict[str, Any]:
    """Return which relay joins what; the leads that no relay reaches become prompts."""
    click.echo("relays: what holds for each of them", err=True)
    table: dict[str, Any] = {}
    if defaults := ask_model(RelayValues, {}, examples=_EXAMPLES):
        table["defaults"] = defaults
    relays: list[dict[str, Any]] = []
    asked = (
        "relay: channel, terminal, lead (such as 101 dmm HI Ex+, or with position 2 for a second"
        " fixture; blank ends)"
    )
    while (relay := answers.until_right(asked, answers.relay, None)) is not None:
        if any(relay["channel"] == other["channel"] for other in relays):
            click.echo(f"  channel {relay['channel']} stands here twice", err=True)
            continue
        relays.append(relay)
    if not relays:
        return table
    return _completed(table | {"relay": relays})


def _completed(table: dict[str, Any]) -> dict[str, Any]:
    """Ask reversal relays, exclusive groups, and what the relays stand where it must be known."""
    reversals = []
    asked = "reversal relay: channel, then the terminals it exchanges in pairs (such as 190"
    asked += " supply + / supply -, supply sense + / supply sense -; blank: none)"
    while (reversal := answers.until_right(asked, answers.reversal, None)) is not None:
        reversals.append(reversal)
    if reversals:
        table["reversal"] = reversals
    groups = []
    asked = "channels of which only one may be closed at a time (such as 101 102 103; blank: none)"
    while (group := answers.until_right(asked, answers.channels, None)) is not None:
        groups.append(group)
    if groups:
        table["exclusive"] = groups
    while True:
        try:
            check("connections", table, Connections)
        except FileError as error:
            click.echo(f"  {error.reason}", err=True)
            if "maximum_volts" not in error.reason:
                raise WrongInput(f"connections: {error.reason}") from None
            volts = answers.needed("maximum volts of the relays", answers.si("V"))
            table["defaults"] = {**table.get("defaults", {}), "maximum_volts": volts}
        else:
            return table


def ask_shared_current(table: dict[str, Any]) -> None:
    """With several fixtures: how many cells the supply may excite at once is its current."""
    relays = table["connections"].get("relay", [])
    supply = table["instruments"].get("supply")
    if supply is None or len({relay.get("position", 1) for relay in relays}) < 2:
        return
    asked = "supply: the most current it gives (several cells at once; blank: one by one)"
    if amperes := answers.until_right(asked, answers.si("A"), None):
        supply["maximum_amperes"] = amperes


def told(entry: Mapping[str, Any]) -> str:
    """Return an accuracy entry in words, to be compared with the manual."""
    accuracy = Accuracy.model_validate(entry)
    parts = [f"{_share(accuracy.reading_ppm)} of reading"] if accuracy.reading_ppm else []
    if accuracy.range_ppm:
        parts.append(f"{_share(accuracy.range_ppm)} of range")
    if accuracy.digits:
        digit = format_value(accuracy.resolution or 0.0, accuracy.unit)
        parts.append(f"{accuracy.digits:g} digits of {digit}")
    if accuracy.absolute:
        parts.append(format_value(accuracy.absolute, accuracy.unit))
    where = "every range"
    if accuracy.range is not None:
        where = f"{format_value(accuracy.range, accuracy.unit)} range"
    total = "largest error" if accuracy.coverage_factor != 2.0 else "expanded uncertainty, k = 2"
    days = f"; {accuracy.within_days:g} days" if accuracy.within_days else ""
    page = f"; {accuracy.source}" if accuracy.source else ""
    return f"{accuracy.quantity}, {where}: {' + '.join(parts)} ({total}{days}{page})"


def _share(ppm: float) -> str:
    """As manuals print it: percent where it is no small matter."""
    return f"{ppm:g} ppm" if ppm < 1000.0 else f"{ppm / 1e4:g} %"


# --- parts of a role


def _ask_language(role: str, folder: Path, resource: str) -> dict[str, Any]:
    """Ask dialect, its options, and who shall answer."""
    fitting = [name for name in shipped_names() if load_dialect(name).role in kinds_of(role)]
    asked = f"dialect ({', '.join(fitting)}, or a file that ends in .toml)"
    usual = fitting[0] if fitting else ""
    name = answers.until_right(asked, lambda typed: answers.dialect(typed, role, folder), usual)
    if not name:
        click.echo("  no dialect: then a person reads it", err=True)
        return {"by_hand": True}
    entry: dict[str, Any] = {"resource": resource, "dialect": name}
    dialect = load_dialect(name, folder)
    options = {key: answers.text(key, usual) for key, usual in dialect.options.items()}
    if changed := {k: v for k, v in options.items() if v != dialect.options[k]}:
        entry["options"] = changed
    if identity := _ask_identity(role, entry, dialect, folder):
        entry["identity"] = identity
    return entry


def _ask_identity(role: str, entry: dict[str, Any], dialect: Dialect, folder: Path) -> str:
    """Ask the pattern of the identification; only on request the instrument is asked."""
    if dialect.identification is None:
        return ""
    asked = f"identity: a pattern, {WHO} asks the instrument (nothing is switched on), blank: any"
    while True:
        pattern: str = answers.until_right(asked, answers.pattern, "")
        if pattern != WHO:
            return pattern
        try:
            said = _who_answers(role, entry, folder)
        except InstrumentError as error:
            click.echo(f"  {error}", err=True)
            continue
        if click.confirm(f"  it says {said!r}: is that the one?", default=True, err=True):
            return re.escape(said)


def _who_answers(role: str, entry: dict[str, Any], folder: Path) -> str:
    table = {"name": "new bench", "instruments": {role: entry}}
    file = check("answers", table, BenchFile)
    with open_instrument(file, role, folder, WallTime()) as instrument:
        return instrument.identify()


_AS_ABOVE = "all else (coverage factor, days, temperature, page) as in the entry above?"
AS_BEFORE = (
    "coverage_factor",
    "within_days",
    "source",
    "reference_temperature",
    "reference_span",
    "temperature_reading_ppm_per_K",
    "temperature_range_ppm_per_K",
)


def _ask_accuracy(quantity: str, before: Mapping[str, Any]) -> dict[str, Any] | None:
    """Ask one entry; None when it was given up by a blank. `before` is the one above it."""
    unit = UNITS[quantity]
    entry: dict[str, Any] = {"quantity": quantity}
    range_ = answers.until_right(f"range (in {unit}; blank: every range)", answers.si(unit), None)
    if range_ is not None:
        entry["range"] = range_
    asked = "accuracy as printed (such as 50 ppm of reading + 35 ppm of range, 0.5 % + 2 digits)"
    figures = answers.until_right(asked, lambda typed: read_printed(typed, quantity), None)
    if figures is None:
        return None
    entry |= figures
    if "digits" in figures:
        digit = answers.until_right(f"size of one digit (in {unit})", answers.si(unit), None)
        entry |= {} if digit is None else {"resolution": digit}
    if before and click.confirm(_AS_ABOVE, default=False, err=True):
        entry = {key: before[key] for key in AS_BEFORE if key in before} | entry
        return entry if _right(entry) else None
    if "coverage_factor" not in figures:
        factor = answers.until_right(
            "coverage factor (2 where the manual says k = 2; blank: a limit of error)",
            answers.positive,
            None,
        )
        entry |= {} if factor is None else {"coverage_factor": factor}
    days = answers.until_right(
        "holds for so many days after calibration (such as 365; blank: always)",
        answers.positive,
        None,
    )
    entry |= {} if days is None else {"within_days": days}
    entry |= _ask_temperature(quantity) | _named("source", "manual and page")
    return entry if _right(entry) else None


def _right(entry: dict[str, Any]) -> bool:
    try:
        check("accuracy", entry, Accuracy)
    except FileError as error:
        click.echo(f"  {error.reason}: once more", err=True)
        return False
    return True


def _ask_temperature(quantity: str) -> dict[str, float]:
    """Ask where the figures hold, and what is added per K outside."""
    if quantity == "temperature":
        return {}
    place = answers.until_right("holds at degC (blank: 23 ± 5)", answers.span, None)
    entry = {} if place is None else place
    asked = "per K outside (such as 5 ppm + 1 ppm; blank: nothing is said)"
    figures = answers.until_right(asked, lambda typed: read_printed(typed, quantity), None) or {}
    for key in ("reading_ppm", "range_ppm"):
        if key in figures:
            entry[f"temperature_{key}_per_K"] = figures[key]
    return entry


def _named(key: str, asked: str) -> dict[str, str]:
    typed = answers.text(asked, "")
    return {key: typed} if typed else {}


def _many(asked: str, one: Callable[[], dict[str, Any]]) -> list[dict[str, Any]]:
    found = []
    while click.confirm(asked, default=False, err=True):
        if entry := one():
            found.append(entry)
    return found


def _model(model: type[Weight]) -> dict[str, Any]:
    """Ask a table of which one key must be there."""
    nominal = answers.until_right("nominal, kg (blank: none)", answers.si("kg"), None)
    if nominal is None:
        return {}
    return ask_model(model, {"nominal_kilograms": nominal}, examples=_EXAMPLES)
