"""What the report of a visit to a weighing chain says otherwise than a cell's certificate."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from acq.analysis.chain_steps import AREA, HANGING, INHIBIT, LOOP_OPEN, NO_INSULATION
from acq.certificates import wording
from acq.records.recorded_run import RecordedRun

TITLE = "Chain visit report"
SUBJECT = "Visit to a weighing chain in its plant"
PAPER = "report on a visit to a plant"
_ROUNDS = ("as found", "as left")


def is_chain(run: RecordedRun) -> bool:
    """Whether a run's subject is a chain."""
    return (run.opened.get("cell") or {}).get("type") == "weighing chain"


def cautions() -> list[str]:
    """What whoever works on the chain next must know; local rules come first."""
    return [
        INHIBIT,
        AREA,
        LOOP_OPEN,
        HANGING,
        NO_INSULATION,
        "Local codes and the licensed persons of the site come first; legal-for-trade seals are for"
        " the authorised body.",
    ]


def tables(run: RecordedRun) -> list[dict[str, Any]]:
    """Return the errors as found and as left beside each other, as the run stored them."""
    rows: dict[str, dict[str, str]] = {}
    for _, found in run.findings():
        round_, _, what = str(found["name"]).partition(": ")
        if round_ in _ROUNDS and found.get("quantity") == "error":
            what = of_both_rounds(what)
            rows.setdefault(what, {})[round_] = _error(found)
    both = [[wording.signs(what), *(cells.get(r, "–") for r in _ROUNDS)]
            for what, cells in rows.items() if "as left" in cells]  # fmt: skip
    if not both:
        return []
    columns = ["Interface", "As found, % of span", "As left, % of span"]
    return [{"title": "As found and as left", "columns": columns, "rows": both}]


def of_both_rounds(what: str) -> str:
    """What an error is called whatever round it belongs to, and whatever stood there then."""
    for pattern, plain in (
        (r"(display|current) at [-\d.]+ (mA|mV/V)", r"\1 at the measured \2"),
        (r"\((as left, )?known load after as (found|left)\)", ""),
        (r"\(as left, ", "("),
        (r"\(as (found|left)\)", ""),
    ):
        what = re.sub(pattern, plain, what)
    return what.strip()


def _error(found: Mapping[str, Any]) -> str:
    shown = wording.result(found)
    return f"{shown['value']} ± {shown['uncertainty']} ({found.get('conformity') or 'told'})"


def answers(run: RecordedRun) -> list[str]:
    """Return what persons said of permit, inhibits, area, adjustment and the restore list."""
    told = []
    for line in run.effects("ask"):
        asked, got = line.content["ask"], line.content.get("got") or {}
        check = str(line.content.get("check") or "")
        if check.startswith(("papers", "hazardous", "adjustment", "restore", "handed")):
            text = wording.signs(str(asked["text"])).rstrip(".")
            when = run.moment(line.content["t"])
            told.append(f"{text}: {got.get('text')} ({got.get('by')}, {when:%H:%M} UTC)")
    typed = [line.content["got"] for line in run.effects("typed")]
    for each in typed:
        told.append(f"Readings {each['how']}: by {each['by'] or 'not named'}, {each['on']}")
        told += [f"Restored, {item}: {who}" for item, who in each["restored"].items()]
    return told
