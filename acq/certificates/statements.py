"""The sentences of a certificate: rules in words, what was not possible, cautions, scope."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Any

from acq.certificates import wording
from acq.errors import WrongInput
from acq.readings.rules import Rule, RuleName
from acq.records.recorded_run import RecordedRun

WORDS = (
    "pass",
    "conditional pass",
    "conditional fail",
    "fail",
    "undecided",
    "withheld",
    "information",
)
ONE_PERSON = "Performed and approved by the same person, as this workshop has laid down."
BY_HAND = "Valid only with the name and signature of the person who approves it."

_OVERALL = {
    "pass": "All results that were judged lie within their limits.",
    "conditional pass": "All judged results lie within their limits; for some, a limit lies"
    " within the uncertainty.",
    "conditional fail": "At least one result lies outside its limit, by less than its uncertainty.",
    "fail": "At least one result lies outside its limits.",
    "undecided": "At least one result could not be decided with these instruments.",
    "withheld": "At least one result is withheld, because its precondition was not met.",
}
_RULES = {
    RuleName.SIMPLE_ACCEPTANCE: "pass where the value is within the limit (w = 0), else fail;"
    " near a limit up to half of such statements may be wrong",
    RuleName.GUARDED_ACCEPTANCE: "pass where the value is within the limit by at least w,"
    " else fail",
    RuleName.GUARDED_REJECTION: "fail only where the value is outside the limit by more than w,"
    " else pass",
    RuleName.FOUR_STATEMENTS: "pass within the limit by at least w; conditional pass within it by"
    " less; conditional fail outside it by at most w; fail beyond that",
    RuleName.NORMALISED_ERROR: "pass where the deviation from the reference is at most the root"
    " of the sum of squares of both expanded uncertainties",
}


def overall(run: RecordedRun) -> dict[str, Any]:
    """Return the run's stored worst statement, in a sentence, and how many there are of each."""
    word = run.closing.conformity
    count = Counter(found.get("conformity") or "information" for _, found in run.findings())
    return {
        "statement": word or "information",
        "word": _capital(word or "for information"),
        "sentence": _OVERALL.get(word or "", "No result was judged; values are for information."),
        "counts": [[each, str(count[each])] for each in WORDS if count[each]],
        "ended": _ended(run),
    }


def _ended(run: RecordedRun) -> str:
    if run.closing.state == "finished":
        return ""
    because = str(run.lines[-1].content.get("because") or "")
    return f"The run was {_STATES.get(run.closing.state, run.closing.state)} before its end" + (
        f": {wording.signs(because)}" if because else ""
    )


_STATES = {"interrupted": "interrupted", "failed": "broken off"}


def rules_used(run: RecordedRun) -> list[list[str]]:
    """Return each decision rule of the run's findings with what it means."""
    named = [str(found.get("rule") or "") for _, found in run.findings() if found.get("conformity")]
    return [_rule(text) for text in dict.fromkeys(named) if text != _NO_RULE]


def _rule(text: str) -> list[str]:
    try:
        rule = Rule.named(text)
    except WrongInput:  # of another version: shown by its name
        return [_capital(text) or "Not stated", "as the attached run states it"]
    band = "" if rule.name in _WITHOUT_BAND else f"; w = {'' if rule.r == 1.0 else f'{rule.r:g} '}U"
    return [_capital(str(rule.name)), f"{_RULES[rule.name]}{band}"]


_NO_RULE = "information"  # what a finding carries on which nothing is decided
_WITHOUT_BAND = (RuleName.SIMPLE_ACCEPTANCE, RuleName.NORMALISED_ERROR)


def not_possible(run: RecordedRun) -> Iterator[str]:
    """Yield what was withheld, skipped, repeated or measured by fewer checks than planned."""
    for check in run.checks:
        if check.state in ("withheld", "skipped"):
            yield _told(check.name, check.state, check.because)
    for check in run.replaced:
        again = "repeated" if check.state == "repeated" else "measured again"
        yield _told(check.name, f"{again}; the earlier result is kept in the run", check.because)


def _told(name: str, what: str, because: str | None) -> str:
    reason = f" ({because})" if because else ""
    return wording.signs(f"{_capital(name)}: {what}{reason}")


def was_loaded(run: RecordedRun) -> bool:
    """Whether the cell stood under loads in this run."""
    return any(run.effects("loads"))


def cautions(run: RecordedRun) -> list[str]:
    """Return what whoever uses the cell must know; local rules always come first."""
    sheet = (run.opened.get("sheets") or {}).get("data_sheet") or {}
    of_test = (
        "A load test says how the cell weighs, not what it bears or how long it will"
        if was_loaded(run)
        else "An electrical test says nothing about mechanical strength"
    )
    told = [
        f"{of_test}: inspect the cell and its mount before it carries load, and keep clear of"
        " suspended loads.",
        "Insulation is tested with all leads joined, at no more than the data sheet allows, and"
        " never with electronics connected or in an explosive atmosphere.",
        "Local codes and the licensed persons of the site come first.",
    ]
    if sheet.get("hazardous_area"):
        told.insert(
            1,
            "The cell is marked for hazardous areas. This test does not confirm that marking;"
            " repair and return to the zone are for qualified persons.",
        )
    return told


def scope(run: RecordedRun, paper: str = "test certificate") -> list[str]:
    """Return what this paper is and is not; `paper` is what it calls itself."""
    item = "item tested" if paper == "test certificate" else "plant as it was found and left"
    told = [
        f"The results relate only to the {item}, in the condition stated, on the day of test.",
        "U is the expanded uncertainty with the coverage factor k given beside it, for a coverage"
        " probability of 95 % (JCGM 100).",
        f"This is the workshop's own {paper}. It claims no accreditation and no type"
        " approval, and states no calibration interval.",
    ]
    if any(found.get("probability") not in (None, 0.95) for _, found in run.findings()):
        told[1] = (
            "U is the expanded uncertainty with the coverage factor k given beside it; the"
            " coverage probability of each result stands in the attached run (JCGM 100)."
        )
    return told


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
