"""Load readings as tables of a certificate, and what its figures show. Stored values only."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from acq.certificates import wording
from acq.records.recorded_run import RecordedRun

_CAPTIONS = {
    "deviation": "Deviation of the mean points from the named line, with U and limits; rising full,"
    " falling hollow.",
    "hysteresis": "Hysteresis loop: rising and falling branch less the terminal line.",
    "class": "Load cell error in verification intervals with the permissible errors of the class.",
    "creep": "Creep at constant load and recovery after it, with U at the last reading.",
}


def figure_captions(names: Iterable[str]) -> list[str]:
    """Return a sentence for each picture, in their order; the mark of a direction is kept."""
    return [_caption(name) for name in names]


def _caption(name: str) -> str:
    kind, _, about = name.partition(", ")
    caption = _CAPTIONS.get(kind, kind.capitalize())
    return f"{caption[:-1]} ({about})." if about and caption.endswith(".") else caption


def load_tables(run: RecordedRun) -> list[dict[str, Any]]:
    """Return the readings of all load runs of one direction beside each other, by load."""
    runs: dict[str, dict[str, Sequence[Mapping[str, Any]]]] = {}
    for line in run.effects("loads"):
        name = str(line.content["ask"])
        if name.startswith("run "):
            number, _, about = name.removeprefix("run ").partition(", ")
            runs.setdefault(about, {})[number] = line.content["got"]
    unit = str((run.opened.get("sheets") or {}).get("data_sheet", {}).get("capacity") or "kg")
    return [_table(about, found, unit.rpartition(" ")[2]) for about, found in runs.items()]


def _table(
    about: str, found: Mapping[str, Sequence[Mapping[str, Any]]], unit: str
) -> dict[str, Any]:
    rows = [
        [
            wording.signs(f"{points[0]['load']:.7g}"),
            *(wording.signs(f"{1e3 * point['output']:.6f}") for point in points),
            _seconds([point["seconds_after_change"] for point in points]),
        ]
        for points in zip(*found.values(), strict=True)
    ]
    title = "Load readings" + (f", {about}" if about else "")
    columns = [f"Load, {unit}", *(f"Run {number}, mV/V" for number in found), "Read after, s"]
    return {"title": title, "columns": columns, "rows": rows}


def _seconds(found: Sequence[float | None]) -> str:
    known = [each for each in found if each is not None]
    if not known:
        return "\N{EN DASH}"
    low, high = min(known), max(known)
    return f"{low:.1f}" if high - low < 0.05 else f"{low:.1f} to {high:.1f}"
