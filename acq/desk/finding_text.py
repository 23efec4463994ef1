"""One finding as one line of text; the word carries the meaning, a mark before it helps the eye."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from acq.readings.units import format_bound, format_limits, format_result, format_value

MARKS = {
    "pass": "[+]",
    "conditional pass": "[(+)]",
    "conditional fail": "[(-)]",
    "fail": "[-]",
    "undecided": "[?]",
    "withheld": "[ ]",
}
_STYLES = {
    "pass": "green",
    "conditional pass": "green",
    "conditional fail": "red",
    "fail": "bold red",
    "undecided": "yellow",
    "withheld": "yellow",
}

_WORTH_NAMING = 0.05  # probability from which a further fault is named


def value_text(finding: Mapping[str, Any]) -> str:
    """Return the value with its expanded uncertainty as people write it."""
    if finding["value"] is None:
        return "withheld"
    if finding["limit_kind"] is not None:
        return format_bound(finding["value"], finding["limit_kind"], finding["unit"])
    if finding["expanded_uncertainty"]:
        return format_result(finding["value"], finding["unit"], finding["expanded_uncertainty"])
    return format_value(finding["value"], finding["unit"])


def deciding_limit(finding: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """Return the limit that decides, None when the finding only informs."""
    return next((limit for limit in finding["limits"] if limit["decides"]), None)


def limit_text(limit: Mapping[str, Any]) -> str:
    """Return a limit with its source."""
    numbers = format_limits(limit["lower"], limit["upper"], limit["unit"])
    return f"{numbers} ({limit['source']})" if numbers else str(limit["source"])


def finding_line(finding: Mapping[str, Any]) -> str:
    """Return a finding as one plain line."""
    word = finding["conformity"] or "told"
    name = f"{MARKS.get(word, '   ')} {finding['name']}"
    if word == "withheld":
        return f"{name}: withheld; {finding['because']}"
    parts = [f"{name}: {value_text(finding)}"]
    limit = deciding_limit(finding)
    if limit is not None:
        parts.append(f"limits {limit_text(limit)}")
    parts.append(word)
    if word == "undecided":
        parts.append(finding["because"])
    if finding["indication_only"]:
        parts.append("indication only")
    return "; ".join([*parts, *finding["marks"]])


def diagnosis_lines(found: Mapping[str, Any]) -> list[str]:
    """Return the likeliest fault with its evidence, others that are likely, the next test."""
    first, *others = found["faults"]
    lines = [_suspect(first), *(f"  {sentence}" for sentence in first["evidence"])]
    lines += [f"or {_suspect(other)}" for other in others if other["probability"] >= _WORTH_NAMING]
    return [*lines, f"next test: {found['next_test']}"] if found["next_test"] else lines


def _suspect(fault: Mapping[str, Any]) -> str:
    where = f" at {' '.join(fault['where'])}" if fault["where"] else ""
    return f"{fault['fault']}{where}, probability {fault['probability']:.2f}"


def style_of(word: str | None) -> str:
    """Return the style that helps a word on a colour terminal."""
    return _STYLES.get(word or "", "")
