"""The table of instruments: what each one is, and on what its values rest."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from acq.certificates import wording


def instruments(opened: Mapping[str, Any]) -> list[dict[str, str]]:
    """Return one row for each role on the bench that the run was opened with.

    ISO/IEC 17025:2017, 7.8.4.1 c asks how results are traceable: certificate, laboratory, date.
    """
    bench = opened.get("bench") or {}
    day = str(opened["run"]["opened_at"])[:10]
    entries = bench.get("instruments") or {}
    return [_row(role, entries[role] or {}, day) for role in wording.ordered(entries, _ROLES)]


_KINDS = {
    "dmm": "multimeter",
    "second-dmm": "second multimeter",
    "insulation": "insulation tester",
}
_ROLES = ("dmm", "second-dmm", "source", "supply", "insulation", "scanner")  # then the others


def _row(role: str, entry: Mapping[str, Any], day: str) -> dict[str, str]:
    named = entry.get("certificate")
    basis = [str(part) for part in (named, entry.get("laboratory")) if part]
    return {
        "role": _KINDS.get(role, role.replace("-", " ")),
        "description": wording.signs(str(entry.get("description") or "")) + _by_hand(entry),
        "serial": str(entry.get("serial") or "not stated"),
        "certificate": ", ".join(basis) or "none stated",
        "calibrated": wording.written_day(entry.get("calibrated")),
        "due": wording.written_day(entry.get("due")),
        "remark": _remark(entry, day),
    }


def _by_hand(entry: Mapping[str, Any]) -> str:
    if not entry.get("by_hand"):
        return ""
    return " (read by a person)" if entry.get("description") else "read by a person"


def _remark(entry: Mapping[str, Any], day: str) -> str:
    due = entry.get("due")
    if due and date.fromisoformat(str(due)) < date.fromisoformat(day):
        return "overdue on the day of test"
    return ""
