"""What a certificate says, as plain texts and tables: taken from the stored run as it stands.

Fields after ISO/IEC 17025:2017, 7.8.2 (reports), 7.8.4 (calibration), 7.8.6 (conformity) and
7.8.8 (amendments). The form of that standard is used; no accreditation is claimed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from acq.certificates import chain_visit, statements, wording
from acq.certificates.load_tables import load_tables
from acq.certificates.opinion import opinion
from acq.certificates.traceability import instruments
from acq.records.issuing import Issue
from acq.records.recorded_run import RecordedRun
from acq.records.story import ClosedCheck

DASH = "\N{EN DASH}"


def certificate_content(run: RecordedRun, issue: Issue) -> dict[str, Any]:
    """Return everything that the template prints; values are texts, lists and yes or no."""
    opened, chain = run.opened, chain_visit.is_chain(run)
    return {
        "number": issue.number,
        "language": "en",
        "simulated": run.simulated,
        "indication_only": bool(opened["run"].get("indication_only")),
        "title": chain_visit.TITLE if chain else "Test certificate",
        "subject": _subject(run),
        "workshop": _party(opened.get("workshop") or {}),
        "facts": _facts(run, issue),
        "amendment": _amendment(issue),
        "overall": statements.overall(run),
        **_results(run),
        "load_tables": load_tables(run),
        "figures": [],
        "conditions": list(_conditions(run)),
        "rules": statements.rules_used(run),
        "largest": _largest_contributions(run),
        "instruments": instruments(run),
        "opinion": opinion(run),
        "not_possible": list(statements.not_possible(run)),
        "corrections": [_correction(each) for each in run.corrections],
        "cautions": chain_visit.cautions() if chain else statements.cautions(run),
        "tables": chain_visit.tables(run) if chain else [],
        "visit": chain_visit.answers(run) if chain else [],
        "scope_title": "What this report says" if chain else "What this certificate says",
        "scope": statements.scope(run, chain_visit.PAPER) if chain else statements.scope(run),
        "signatures": _signatures(run, issue),
        "proof": _proof(run, issue),
    }


def _subject(run: RecordedRun) -> str:
    sequence = str(run.opened["run"]["sequence"])
    if sequence == "acceptance" and statements.was_loaded(run):
        return "Acceptance test of a load cell, electrical and under load"
    known = {
        "acceptance": "Electrical acceptance test of a load cell",
        "lot": "Electrical acceptance test of a load cell, in its lot",
        "load-series": "Load test of a load cell",
        "weighing-chain": chain_visit.SUBJECT,
        "creep": "Creep test of a load cell",
        "off-centre": "Off-centre load test of a load cell",
    }
    return known.get(sequence, f"{sequence.replace('-', ' ').capitalize()} of a load cell")


def _facts(run: RecordedRun, issue: Issue) -> list[dict[str, Any]]:
    """Three short tables beside each other: the item, for whom, the test."""
    return [
        {"title": "Item tested", "rows": _pairs(_item(run))},
        {"title": "Customer", "rows": _pairs(_customer(run))},
        {"title": "Test", "rows": _pairs(_test(run, issue))},
    ]


def _item(run: RecordedRun) -> Iterator[tuple[str, Any]]:
    cell, papers = run.opened.get("cell") or {}, run.opened.get("sheets") or {}
    sheet = papers.get("data_sheet") or {}
    if chain_visit.is_chain(run):
        yield "Weighing chain", run.serial
        return
    lot = run.opened.get("lot") or {}
    yield "Load cell", cell.get("type")
    yield "Serial number", run.serial
    yield "Lot", lot and f"{lot['serial']}, {lot['pieces']} pieces, tested in run {lot['run']}"
    yield "Construction", sheet.get("construction")
    yield "Capacity", wording.quantity(sheet.get("capacity"))
    yield "Accuracy class", sheet.get("accuracy_class")
    yield "Cable", _cable(sheet.get("cable") or {})
    marking = (sheet.get("hazardous_area") or {}).get("marking")
    yield "Hazardous area", marking
    yield "Condition", cell.get("condition") or "as received"
    yield "Received", cell.get("received") and wording.written_day(cell["received"])


def _cable(cable: Mapping[str, Any]) -> str:
    parts = [f"{cable['wires']}-wire"] if cable.get("wires") else []
    return ", ".join([*parts, *filter(None, [wording.quantity(cable.get("length"))])])


def _customer(run: RecordedRun) -> Iterator[tuple[str, Any]]:
    customer = run.opened.get("customer") or {}
    yield "", customer.get("name") or "not stated"
    yield "", customer.get("address")
    yield "Order", customer.get("order")
    yield "Complaint (as told)", customer.get("complaint")


def _test(run: RecordedRun, issue: Issue) -> Iterator[tuple[str, Any]]:
    opened, plan = run.opened, run.opened.get("plan") or {}
    closed = run.closing.closed_at
    yield "Method", f"sequence {opened['run']['sequence']}, plan {plan.get('name') or DASH}"
    yield "Run", run.number
    yield "State of the item", opened["run"].get("stage")
    yield "Done before", opened["run"].get("work_done")
    yield "Begun", wording.moment(run.opened_at)
    yield "Ended", closed and wording.moment(closed)
    usual = "in the plant" if chain_visit.is_chain(run) else "at the workshop"
    place = (opened.get("workshop") or {}).get("place_of_test") or usual
    yield "Place", f"{place}, {(opened.get('bench') or {}).get('name') or 'bench not named'}"
    yield "Check of the day", _check_of_the_day(opened.get("check_of_the_day") or {})
    yield "Issued", wording.day(issue.issued_at)


def _check_of_the_day(found: Mapping[str, Any]) -> str:
    """What the run found of the bench's check standard before it began; empty: not asked."""
    return f"MISSING: {found['said']}" if found.get("missing") else str(found.get("said") or "")


def _party(party: Mapping[str, Any]) -> dict[str, Any]:
    address = party.get("address") or []
    lines = [address] if isinstance(address, str) else [str(line) for line in address]
    contact = [str(party[key]) for key in ("telephone", "email") if party.get(key)]
    return {"name": str(party.get("name") or "Workshop not named"), "lines": lines + contact}


def _pairs(rows: Iterator[tuple[str, Any]]) -> list[list[str]]:
    texts: list[list[str]] = []
    for name, value in rows:
        shown = ", ".join(map(str, value)) if isinstance(value, list) else value
        if shown:
            texts.append([name, wording.signs(str(shown))])
    return texts


def _amendment(issue: Issue) -> str:
    if issue.replaces is None:
        return ""
    return f"Replaces certificate {issue.replaces}. What changed: {issue.because}."


def _results(run: RecordedRun) -> dict[str, Any]:
    """Return the rows of results, and the sources of their limits by letter."""
    letters: dict[str, str] = {}
    rows = [_result(check, found, letters) for check, found in run.findings()]
    return {"results": rows, "sources": _in_two_columns([[a, text] for text, a in letters.items()])}


def _in_two_columns(sources: list[list[str]]) -> list[list[list[str]]]:
    """Return the sources cut in two parts of about the same length on paper."""
    lines = [len(text) // _COLUMN + 1 for _, text in sources]
    cut = min(
        range(len(sources) + 1),
        key=lambda at: max(sum(lines[:at]), sum(lines[at:])),
    )
    return [sources[:cut], sources[cut:]] if sources else []


_COLUMN = 65  # letters in a line of half the page's width


def _result(
    check: ClosedCheck, found: Mapping[str, Any], letters: dict[str, str]
) -> dict[str, Any]:
    word = found.get("conformity") or "information"
    explained = word not in ("pass", "information")
    marks = [str(mark) for mark in found.get("marks") or []]
    if found.get("indication_only"):
        marks.append("indication only")
    return {
        "name": _sentence(str(found["name"])),
        **wording.result(found),
        "limits": [_limit(entry, letters) for entry in found.get("limits") or []],
        "statement": word,
        "because": wording.signs(str(found.get("because") or check.because or ""))
        if explained
        else "",
        "marks": _sentence("; ".join(marks)),
    }


def _largest_contributions(run: RecordedRun) -> list[list[str]]:
    """Return [contribution, the results whose uncertainty it dominates], in the run's order."""
    results: dict[str, list[str]] = {}
    for _, found in run.findings():
        # the journal has a budget's largest contribution first
        if budget := found.get("budget"):
            results.setdefault(str(budget[0]["name"]), []).append(str(found["name"]))
    return [[wording.signs(name), wording.signs("; ".join(of))] for name, of in results.items()]


def _limit(entry: Mapping[str, Any], letters: dict[str, str]) -> dict[str, Any]:
    shown = wording.limit(entry)
    letter = letters.setdefault(shown["source"], wording.letter(len(letters)))
    return {**shown, "letter": letter}


def _sentence(text: str) -> str:
    return wording.signs(text[:1].upper() + text[1:])


def _conditions(run: RecordedRun) -> Iterator[list[str]]:
    plan = run.opened.get("plan") or {}
    yield ["Room", _room(run)]
    for name in wording.ordered(plan, _SECTIONS):
        section = plan[name] if name != "limits" else {}  # each limit tells its own source
        if isinstance(section, Mapping) and (text := _section(section)):
            yield [_sentence(name.replace("_", " ")), text]


def _section(section: Mapping[str, Any]) -> str:
    """Return a plan's section as one line; sources and rules are told elsewhere."""
    shown = {
        key: value
        for key, value in section.items()
        if not key.endswith("source") and key != "rule" and value not in (None, "", [], {})
    }
    # what is named by its unit alone (volts) is the section's main value and stands first
    keys = sorted(shown, key=lambda key: "_" in key)
    return "; ".join(
        f"{key.replace('_', ' ')}: {_section(value)}"
        if isinstance(value := shown[key], Mapping)
        else wording.setting(key, value)
        for key in keys
    )


# the order of the test; a journal has its keys in the alphabet's
_SECTIONS = ("resistance", "insulation", "excitation", "zero")


def _room(run: RecordedRun) -> str:
    """Return the first and the last reading of each room instrument, or that there was none."""
    told: list[str] = []
    for quantity, name in (
        ("temperature", "temperature"),
        ("relative-humidity", "relative humidity"),
        ("pressure", "air pressure"),
    ):
        read = [
            (line, line.content["got"])
            for line in run.effects("read")
            if (line.content.get("got") or {}).get("quantity") == quantity
        ]
        shown = [
            wording.signs(f"{_plain(got)} at {run.moment(line.content['t']):%H:%M}")
            for line, got in (read[:1] + read[-1:] if len(read) > 1 else read)
            if got.get("value") is not None
        ]
        if shown:
            told.append(f"{name} {' and '.join(shown)} UTC")
    return "; ".join(told) or "temperature and humidity were not recorded during this run"


def _plain(got: Mapping[str, Any]) -> str:
    if got["unit"] == "Pa":
        return f"{got['value'] / 100.0:.0f} hPa"
    unit = {"percent": "%"}.get(str(got["unit"]), got["unit"])
    return f"{got['value']:.4g} {unit}"


def _correction(each: Any) -> str:
    changes = ", ".join(f"{name} is now {value}" for name, value in each.changes.items())
    return f"{each.at[:10]}, {each.by}: {each.reason}{' (' + changes + ')' if changes else ''}"


def _signatures(run: RecordedRun, issue: Issue) -> dict[str, str]:
    performer = str(run.opened["run"].get("performer") or "not named")
    same = issue.approver is not None and issue.approver == performer
    return {
        "performer": performer,
        "performed": wording.day(run.opened_at),
        "approver": issue.approver or "",
        "approved": wording.day(issue.issued_at) if issue.approver else "",
        "note": statements.ONE_PERSON if same else "" if issue.approver else statements.BY_HAND,
    }


def _proof(run: RecordedRun, issue: Issue) -> dict[str, Any]:
    versions = run.opened.get("versions") or {}
    return {
        "journal": run.digest,
        "lines": str(len(run.lines)),
        "head": issue.head,
        "attachment": attachment_name(run),
        "software": ", ".join(f"{name} {number}" for name, number in versions.items()),
    }


def attachment_name(run: RecordedRun) -> str:
    """Return the name under which the run is attached; letters that every system keeps."""
    kept = "".join(c if c.isalnum() or c in "-_." else "-" for c in run.number)
    return f"run-{kept}.json"
