"""JUnit XML of a run, held against what pytest itself writes: CI systems read that."""

from __future__ import annotations

import subprocess
import sys
from collections import Counter
from pathlib import Path
from xml.etree import ElementTree as Tree

import pytest

from acq.desk.junit import junit
from acq.runs.journal import read_journal
from tests.acq.records.journals import WrittenJournal, finding, opened
from tests.conducting import QUICK

pytest_plugins = ["pytester"]

WORDS = {
    "pass": "",
    "conditional pass": "",
    "conditional fail": "failure",
    "fail": "failure",
    "undecided": "failure",
    "withheld": "skipped",
}


def suite(journal: WrittenJournal, folder: Path, message: str = "") -> Tree.Element:
    """Return the one suite of a journal's document, its counts checked against its cases."""
    path = folder / "journal.jsonl"
    path.write_bytes(journal.data)
    root = Tree.fromstring(junit(read_journal(path)[0], message))
    assert root.tag == "testsuites"
    (inside,) = root.findall("testsuite")
    held_to_its_counts(root, inside)
    return inside


def held_to_its_counts(*elements: Tree.Element) -> None:
    for element in elements:
        cases = list(element.iter("testcase"))
        inside = Counter(child.tag for case in cases for child in case)
        assert element.get("tests") == str(len(cases))
        assert element.get("failures") == str(inside["failure"])
        assert element.get("errors") == str(inside["error"])
        assert element.get("skipped") == str(inside["skipped"])


def outcomes(inside: Tree.Element) -> dict[str, str]:
    """Return by case what stands in it beside text: failure, error, skipped, or nothing."""
    return {
        str(case.get("name")): "".join(x.tag for x in case if x.tag != "system-out")
        for case in inside.iter("testcase")
    }


def test_each_finding_is_a_case_and_its_word_decides(tmp_path: Path) -> None:
    journal = opened("R-1")
    for word in WORDS:
        value = None if word == "withheld" else 385.0
        told = finding(f"is {word}", value, conformity=word, because=f"because of {word}")
        journal.check(f"check {word}", told)
    inside = suite(journal.close(exit_code=1, conformity="fail"), tmp_path)
    found = outcomes(inside)
    assert found == {**{f"is {word}": what for word, what in WORDS.items()}, "finished": ""}
    failed = inside.findall("testcase/failure")
    assert [x.get("type") for x in failed] == ["conditional fail", "fail", "undecided"]
    assert failed[1].get("message") == "because of fail"
    assert "is fail" in str(failed[1].text)
    assert inside.findall("testcase/skipped")[0].get("message") == "because of withheld"
    properties = {x.get("name"): x.get("value") for x in inside.findall("properties/property")}
    assert properties["seed"] == "7"
    assert properties["plan"] == "thin"


@pytest.mark.parametrize(
    ("word", "state", "code"),
    [
        ("pass", "finished", 0),
        ("fail", "finished", 1),
        ("undecided", "finished", 4),
        ("withheld", "finished", 4),
        ("pass", "failed", 3),
        ("pass", "failed", 2),
        ("pass", "interrupted", 130),
    ],
)
def test_a_suite_is_green_just_when_the_exit_code_is_zero(
    word: str, state: str, code: int, tmp_path: Path
) -> None:
    told = finding("zero balance", 1e-5, conformity=word, because="as it came out")
    journal = opened("R-1").check("zero balance", told)
    inside = suite(journal.close(state, code, word), tmp_path, "the dmm does not answer")
    wrong = int(str(inside.get("failures"))) + int(str(inside.get("errors")))
    assert (wrong == 0) is (code == 0)
    if state != "finished":
        (error,) = inside.findall("testcase/error")
        assert error.get("message") == "the dmm does not answer"


def test_a_run_that_was_cut_off_is_an_error_and_a_repeat_stands_for_what_it_repeats(
    tmp_path: Path,
) -> None:
    journal = opened("R-1")
    journal.check("zero", finding("zero balance", 1e-5, conformity="fail", because="too far"))
    journal.check("zero", finding("zero balance", 1e-6, conformity="pass"), attempt=2)
    inside = suite(journal, tmp_path)
    assert outcomes(inside) == {"zero balance": "", "finished": "error"}


def test_texts_that_xml_cannot_hold_do_not_break_it(tmp_path: Path) -> None:
    odd = 'Ω < "5" & \x00\x1b[0m ]]>'
    told = finding(odd, 1.0, conformity="fail", because=odd)
    inside = suite(opened("R-1").check(odd, told).close(exit_code=1), tmp_path)
    name = str(inside.findall("testcase")[0].get("name"))
    assert name.startswith('Ω < "5" & ')
    assert name.endswith("]]>")


def test_a_run_writes_what_pytest_writes(pytester: pytest.Pytester) -> None:
    """Elements and attributes are among those of pytest's own file, the de facto format."""
    pytester.makepyfile(
        """
        import pytest
        def test_pass(record_testsuite_property): record_testsuite_property("a", 1); print("out")
        def test_fail(): assert False
        def test_skip(): pytest.skip("so")
        @pytest.fixture
        def broken(): raise OSError
        def test_error(broken): pass
        """
    )
    pytester.runpytest_subprocess("--junitxml=theirs.xml", "-o", "junit_logging=system-out")
    theirs = shape(Tree.parse(pytester.path / "theirs.xml").getroot())
    ours = pytester.path / "ours.xml"
    command = "from acq.desk.command_line import main; main()"
    more = ["run", "acceptance", "--cell", "B-011902", "--simulated", "--plan", str(QUICK)]
    more += ["--scenario", "open-arm-a", "--junit", str(ours)]
    done = subprocess.run(
        [sys.executable, "-P", "-c", command, *more], capture_output=True, text=True, check=False
    )
    assert done.returncode == 1, done.stderr
    root = Tree.parse(ours).getroot()
    held_to_its_counts(root, *root.findall("testsuite"))
    assert outcomes(root)["resistance Ex+ S+"] == "failure"
    assert outcomes(root)["zero balance"] == "skipped"
    assert "open-arm" in str(root.findall("testsuite/testcase/system-out")[-1].text)
    for parent, (attributes, children) in shape(root).items():
        assert parent in theirs
        # pytest writes counts on the suite only, and `type` where it skips; readers take both
        assert attributes <= theirs[parent][0] | theirs["testsuite"][0] | {"type"}, parent
        assert children <= theirs[parent][1], parent


def shape(root: Tree.Element) -> dict[str, tuple[set[str], set[str]]]:
    """Return by element which attributes and which children occur."""
    found: dict[str, tuple[set[str], set[str]]] = {}
    for element in root.iter():
        attributes, children = found.setdefault(element.tag, (set(), set()))
        attributes |= set(element.attrib)
        children |= {child.tag for child in element}
    return found
