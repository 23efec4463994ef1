"""A run's findings as JUnit XML, so that a CI shows each of them as a test case.

The format has no standard of its own; this keeps to the elements and attributes that pytest
writes and that CI systems read. A fail, a conditional fail and an undecided finding are failures
(the attribute `type` says which), a withheld one is skipped. The last case is the run itself: it
fails where the run's exit code is not zero and no finding says why, and is an error where the
run did not finish. So a suite is green just when the exit code is zero.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as Tree

from acq.desk.finding_text import diagnosis_lines, finding_line
from acq.errors import BenchFailure
from acq.runs.conduct import Outcome
from acq.runs.journal import Line, read_journal

NS = 1e9
FAILING = ("fail", "conditional fail", "undecided")
UNSAYABLE = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")  # XML 1.0, 2.2


@dataclass(frozen=True, slots=True)
class Case:
    """One test case. `outcome` is `failure`, `error`, `skipped`, or nothing for a pass."""

    check: str
    name: str
    seconds: float
    outcome: str
    word: str
    because: str
    told: str


def write_junit(path: Path, outcome: Outcome) -> None:
    """Write the file; raises BenchFailure when it cannot be written."""
    lines, _ = read_journal(outcome.folder.journal)
    try:
        path.write_bytes(junit(lines, outcome.message))
    except OSError as error:
        raise BenchFailure(f"{path} cannot be written: {error.strerror}") from error


def junit(lines: Sequence[Line], message: str = "") -> bytes:
    """Return the document for the lines of one run's journal."""
    cases = list(_cases(lines, message))
    opened = lines[0].content
    counts = Counter(case.outcome for case in cases)
    totals = {
        "tests": str(len(cases)),
        "failures": str(counts["failure"]),
        "errors": str(counts["error"]),
        "skipped": str(counts["skipped"]),
        "time": f"{(int(lines[-1].content['t']) - int(opened['t'])) / NS:.3f}",
    }
    name = f"{opened['run']['sequence']} {opened['cell']['serial']}"
    root = Tree.Element("testsuites", {"name": "bridgebench", **totals})
    when = {"timestamp": opened["run"]["opened_at"]}
    suite = Tree.SubElement(root, "testsuite", {"name": name, **totals, **when})
    _properties(suite, opened)
    for case in cases:
        _add(suite, case, name)
    Tree.indent(root)
    return bytes(Tree.tostring(root, encoding="utf-8", xml_declaration=True))


def _properties(suite: Tree.Element, opened: Mapping[str, Any]) -> None:
    run, inside = opened["run"], Tree.SubElement(suite, "properties")
    stated = {key: run[key] for key in ("number", "simulated", "scenario", "seed", "performer")}
    for key, value in {**stated, "plan": opened["plan"]["name"]}.items():
        if value is not None:
            Tree.SubElement(inside, "property", {"name": key, "value": _said(str(value))})


def _cases(lines: Iterable[Line], message: str) -> Iterator[Case]:
    """Yield the findings that stand, in order, and the run itself; repeats replace what they
    repeat.
    """
    found: dict[tuple[str, str], Case] = {}
    told: list[str] = []
    check, since, last = "", 0, None
    for line in lines:
        content, last = line.content, line
        if line.what == "check-opened":
            check, since = str(content["check"]), int(content["t"])
        elif line.what == "effect" and content["kind"] == "finding":
            seconds = (int(content["t"]) - since) / NS
            since = int(content["t"])
            case = _of_finding(str(content.get("check", check)), content["got"], seconds)
            found[case.check, case.name] = case
        elif line.what == "effect" and content["kind"] == "diagnosis":
            told = diagnosis_lines(content["got"])
    yield from found.values()
    assert last is not None
    failing = any(case.outcome == "failure" for case in found.values())
    yield _of_run(last, message, "\n".join(told), failing=failing)


def _of_finding(check: str, finding: Mapping[str, Any], seconds: float) -> Case:
    word = finding["conformity"] or ""
    outcome = "failure" if word in FAILING else "skipped" if word == "withheld" else ""
    because = finding["because"] or word
    return Case(check, finding["name"], seconds, outcome, word, because, finding_line(finding))


def _of_run(last: Line, message: str, told: str, *, failing: bool) -> Case:
    content = last.content
    code = content.get("exit_code") if last.what == "closed" else None
    state = str(content.get("state", "interrupted"))
    if state != "finished":
        because = message or content.get("because") or "the run was cut off"
        return Case("run", "finished", 0.0, "error", state, because, told)
    outcome = "failure" if code and not failing else ""
    because = message or f"exit code {code}: {content['conformity']}"
    return Case("run", "finished", 0.0, outcome, str(content["conformity"]), because, told)


def _add(suite: Tree.Element, case: Case, of: str) -> None:
    about = {
        "classname": f"{of.replace(' ', '.')}.{_said(case.check)}",
        "name": _said(case.name),
        "time": f"{case.seconds:.3f}",
    }
    element = Tree.SubElement(suite, "testcase", about)
    if case.outcome:
        said = {"type": case.word, "message": _said(case.because)}
        Tree.SubElement(element, case.outcome, said).text = _said(case.told)
    elif case.told:
        Tree.SubElement(element, "system-out").text = _said(case.told)


def _said(text: str) -> str:
    """Return the text without what XML cannot hold."""
    return UNSAYABLE.sub("\N{REPLACEMENT CHARACTER}", text)
