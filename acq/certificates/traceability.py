"""The table of instruments: what each one is, what it was used for, on what its values rest."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

from acq.certificates import wording
from acq.readings.specification import Accuracy, holds_days
from acq.readings.units import format_value
from acq.records.recorded_run import RecordedRun

_KINDS = {
    "dmm": "multimeter",
    "second-dmm": "second multimeter",
    "insulation": "insulation tester",
}
_ROLES = ("dmm", "second-dmm", "source", "supply", "insulation", "scanner")  # then the others


def instruments(run: RecordedRun) -> list[dict[str, str]]:
    """Return one row for each role on the bench that the run was opened with.

    ISO/IEC 17025:2017, 7.8.4.1 c asks how results are traceable: certificate, laboratory, date.
    """
    entries = (run.opened.get("bench") or {}).get("instruments") or {}
    used = _used_for(run)
    return [
        {**_row(role, entries[role] or {}, run.opened_at.date()), "used": used.get(role, "")}
        for role in wording.ordered(entries, _ROLES)
    ] + (_loads(run) if any(True for _ in run.effects("loads")) else [])


def _loads(run: RecordedRun) -> list[dict[str, str]]:
    """Return weights, lever and reference cell where loads were put on."""
    bench = run.opened.get("bench") or {}
    rig, day = bench.get("rig") or {}, run.opened_at.date()
    rows = []
    for weight in bench.get("weights") or []:
        pieces = f"{weight['pieces']} x " if weight["pieces"] > 1 else ""
        class_ = f", class {weight['accuracy_class']}" if weight["accuracy_class"] else ""
        mass = wording.signs(f"{pieces}{weight['nominal_kilograms']:g} kg{class_}")
        rows.append({**_row("weights", {**weight, "description": mass}, day), "used": ""})
    for kind in ("lever", "reference"):
        if standard := rig.get(kind):
            told = {**standard, "description": rig.get("description") or ""}
            name = "reference cell" if kind == "reference" else "lever"
            rows.append({**_row(name, told, day), "used": ""})
    return rows


def _row(role: str, entry: Mapping[str, Any], day: date) -> dict[str, str]:
    basis = [str(entry[key]) for key in ("certificate", "laboratory") if entry.get(key)]
    return {
        "role": _KINDS.get(role, role.replace("-", " ")),
        "description": wording.signs(str(entry.get("description") or "")) + _by_hand(entry),
        "serial": str(entry.get("serial") or "not stated"),
        "certificate": ", ".join(basis) or "none stated",
        "calibrated": wording.written_day(entry.get("calibrated")),
        "due": wording.written_day(entry.get("due")),
        "remark": _remark(entry, day),
    }


def _used_for(run: RecordedRun) -> dict[str, str]:
    """Return by role which quantities were read in which ranges, in the order of the run."""
    ranges: dict[str, dict[str, dict[str, None]]] = {}
    single = (line.content.get("got") or {} for line in run.effects("read"))
    pairs = (
        each for line in run.effects("read together") for each in line.content.get("got") or ()
    )
    for got in (*single, *pairs):
        if not got.get("instrument") or not got.get("quantity"):
            continue
        of_quantity = ranges.setdefault(got["instrument"], {}).setdefault(got["quantity"], {})
        if got.get("range"):
            of_quantity[wording.signs(format_value(got["range"], got["unit"]))] = None
    return {
        role: "; ".join(
            " ".join([_name(quantity), ", ".join(found)]).strip()
            for quantity, found in quantities.items()
        )
        for role, quantities in ranges.items()
    }


def _name(quantity: str) -> str:
    return quantity.replace("-", " ").replace("dc ", "DC ").replace("ac ", "AC ")


def _by_hand(entry: Mapping[str, Any]) -> str:
    if not entry.get("by_hand"):
        return ""
    return " (read by a person)" if entry.get("description") else "read by a person"


def _remark(entry: Mapping[str, Any], day: date) -> str:
    ends = _ends(entry)
    said = ["overdue on the day of test"] if ends is not None and ends < day else []
    if entry.get("correction"):
        said.append("readings corrected by its certificate")
    return ", ".join(said)


def _ends(entry: Mapping[str, Any]) -> date | None:
    """The due date, or the day on which the stated accuracy ends where that comes first."""
    ends = [date.fromisoformat(str(entry["due"]))] if entry.get("due") else []
    stated = tuple(Accuracy.model_validate(each) for each in entry.get("accuracy") or ())
    days = holds_days(stated)
    if days is not None and entry.get("calibrated"):
        ends.append(date.fromisoformat(str(entry["calibrated"])) + timedelta(days=days))
    return min(ends, default=None)
