"""The certificate as a file: what stands on its pages, its structure, its bytes."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pikepdf
import pytest

from acq.certificates.certificate import certificate_of, render
from acq.certificates.typesetting import GlyphMissing, TypesettingError, typeset
from acq.errors import WrongInput
from acq.records.records import Records
from tests.acq.certificates import pdf_text, runs
from tests.acq.certificates.rendering import HEAD, issue, made, recorded
from tests.acq.records.journals import WrittenJournal, finding

REAL = {"simulated": False, "number": "R-2026-0042", "id": "R-2026-0042"}


def squeezed(text: str) -> str:
    return "".join(text.split())


@pytest.fixture(scope="module")
def healthy() -> bytes:
    return made(runs.healthy())


@pytest.fixture(scope="module")
def faulty() -> bytes:
    return made(runs.faulty(REAL))


@pytest.fixture(scope="module")
def healthy_text(healthy: bytes) -> str:
    return "".join(pdf_text.pages(healthy))


@pytest.fixture(scope="module")
def faulty_text(faulty: bytes) -> str:
    return "".join(pdf_text.pages(faulty))


@pytest.fixture
def opened(healthy: bytes) -> Iterator[pikepdf.Pdf]:
    with pikepdf.open(io.BytesIO(healthy)) as document:
        yield document


# the pages


def test_the_electrical_run_takes_two_pages_of_a4(opened: pikepdf.Pdf) -> None:
    assert len(opened.pages) == 2
    for page in opened.pages:
        # ISO 216: A4 is 210 mm x 297 mm; a PDF point is 25.4 / 72 mm
        box = [float(number) * 25.4 / 72 for number in page.mediabox]
        assert box == pytest.approx([0, 0, 210, 297], abs=0.05)


@pytest.mark.parametrize("which", ["healthy", "faulty"])
def test_number_and_page_stand_on_every_page(which: str, request: pytest.FixtureRequest) -> None:
    pages = pdf_text.pages(request.getfixturevalue(which))
    for number, text in enumerate(pages, start=1):
        assert "C-2026-0017" in text
        assert f"Page{number}of{len(pages)}" in text


def test_simulated_stands_on_every_page_of_a_simulated_run_and_on_none_of_a_real_one(
    healthy: bytes, faulty: bytes
) -> None:
    assert all(text.count("SIMULATED") >= 3 for text in pdf_text.pages(healthy))
    assert all("SIMULATED" not in text for text in pdf_text.pages(faulty))


@pytest.mark.parametrize(
    "text",
    [
        "Quayside Weighing Workshop (invented)",
        "Crane Lane 7",
        "Test certificate",
        "Gravel Works North (invented)",
        "BB-SB500",
        "B-011902",
        "shear beam, stainless, welded",
        "sequence acceptance, plan returned-cell",
        "2 March 2026, 08:00 UTC",
        "385.130",
        "384.65 Ω to 385.65 Ω",
        "own sheet of 2023-11-27: input resistance, 0.5 Ω allowed",
        "−0.006420",
        "> 20",
        "GΩ",
        "−10 µV to 10 µV",
        "Four statements",
        "DM-2214",
        "K-2026-0311, Lighthouse Calibration (invented)",
        "read: resistance 1000 Ω",
        "dmm gain resistance Ex+ Ex-; resistance S+ S-;",
        "15 January 2027",
        "50 V; dwell 60 s",
        "The results relate only to the item tested",
        "It claims no accreditation and no type approval",
        "keep clear of suspended loads",
        "Local codes and the licensed persons of the site come first",
        "Robin Example",
        "Sam Specimen",
        HEAD,
    ],
)
def test_what_the_run_says_stands_on_the_paper(healthy_text: str, text: str) -> None:
    assert squeezed(text) in healthy_text


@pytest.mark.parametrize(
    "text",
    [
        "Fail At least one result lies outside its limits.",
        "2 pass",
        "conditional pass",
        "conditional fail",
        "undecided",
        "withheld",
        "12 MΩ against at least 5 GΩ: 4.99 GΩ outside",
        "Polarity reversed: 9 MΩ",
        "no excitation: Ex+ S+ is outside its limits",
        "Zero balance: withheld",
    ],
)
def test_what_failed_or_was_not_possible_is_said_in_words(faulty_text: str, text: str) -> None:
    assert squeezed(text) in faulty_text


@pytest.mark.parametrize(
    ("row", "statement"),
    [
        ("384.65 Ω to 385.65 Ω b decides", "pass"),
        ("350.8 Ω to 351.8 Ω d decides", "conditional pass"),
        ("280.59 Ω to 281.59 Ω f decides", "conditional fail"),
        ("280.62 Ω to 281.62 Ω f decides", "fail"),
        ("280.61 Ω to 281.61 Ω f decides", "undecided"),
        ("Zero balance — –", "withheld"),
    ],
)
def test_each_row_ends_with_its_statement_in_words(
    faulty_text: str, row: str, statement: str
) -> None:
    assert squeezed(f"{row} {statement}") in faulty_text


@pytest.mark.parametrize("word", ["accredited", "complies with", "approved type", "calibrated to"])
def test_nothing_suggests_accreditation_or_type_approval(healthy_text: str, word: str) -> None:
    assert squeezed(word) not in healthy_text.lower()


def test_the_journals_digest_is_printed(healthy_text: str) -> None:
    assert recorded(runs.healthy()).digest in healthy_text


def test_an_indication_only_run_says_so(faulty: bytes) -> None:
    text = "".join(pdf_text.pages(made(runs.healthy({"indication_only": True}))))
    assert "INDICATIONONLY" in text
    assert "INDICATIONONLY" not in "".join(pdf_text.pages(faulty))


def test_an_overdue_instrument_is_marked() -> None:
    dmm = runs.instrument("multimeter", "DM-1", due="2026-03-01")
    bench = {"name": "Bench 1", "instruments": {"dmm": dmm}}
    text = "".join(pdf_text.pages(made(runs.healthy(REAL, bench=bench))))
    assert "overdueonthedayoftest" in text


def test_what_rests_on_corrections_or_on_an_accuracy_that_has_ended_says_so() -> None:
    dmm = runs.instrument("multimeter", "DM-1") | {
        "calibrated": "2026-01-01",
        "accuracy": [{"quantity": "dc-voltage", "within_days": 30.0}],
        "correction": [{"quantity": "dc-voltage", "points": []}],
    }
    bench = {"name": "Bench 1", "instruments": {"dmm": dmm}}
    text = "".join(pdf_text.pages(made(runs.healthy(REAL, bench=bench))))
    assert "overdueonthedayoftest,readingscorrectedbyitscertificate" in text


@pytest.mark.parametrize(
    ("approver", "said"),
    [
        ("Robin Example", "Performed and approved by the same person"),
        (None, "Valid only with the name and signature"),
    ],
)
def test_who_approves_is_said(approver: str | None, said: str) -> None:
    text = "".join(pdf_text.pages(made(runs.healthy(), approver=approver)))
    assert squeezed(said) in text


def test_an_amended_certificate_names_the_one_it_replaces() -> None:
    pdf = made(runs.healthy(), replaces="C-2026-0016", because="customer's address")
    text = "".join(pdf_text.pages(pdf))
    assert squeezed("Replaces certificate C-2026-0016. What changed: customer") in text


def test_a_long_run_goes_on_over_more_pages_with_its_head_repeated() -> None:
    journal = runs.leads_and_insulation(runs.begin())
    for number in range(60):
        journal.check(f"again {number}", finding(f"again {number}", 385.0 + number))
    pages = pdf_text.pages(made(journal.close()))
    assert len(pages) > 2
    assert all("Limits,withsource" in text for text in pages[:2])
    assert all(f"Page{number}of{len(pages)}" in text for number, text in enumerate(pages, 1))


def test_a_run_that_broke_off_says_so() -> None:
    journal = runs.leads_and_insulation(runs.begin())
    journal.add("closed", state="failed", exit_code=3, conformity=None, because="link lost")
    text = "".join(pdf_text.pages(made(journal)))
    assert squeezed("The run was broken off before its end: link lost") in text


def test_papers_with_gaps_still_make_a_certificate() -> None:
    journal = WrittenJournal().add(
        "opened",
        run=runs.opening({})["run"] | {"performer": None},
        cell={"serial": "X", "type": None},
        sheets={},
        plan={},
        bench={},
        versions={},
        workshop={},
        customer={},
    )
    text = "".join(pdf_text.pages(made(journal.close(conformity="withheld"), approver=None)))
    assert "Workshopnotnamed" in text


def test_text_is_never_taken_for_layout() -> None:
    customer = {"name": '#panic("x") $a$ *b* _c_ `d` @e <f> // g \\ "h"'}
    text = "".join(pdf_text.pages(made(runs.healthy(customer=customer))))
    assert squeezed('#panic("x")$a$*b*_c_`d`@e<f>//g\\"h"') in text


@pytest.mark.parametrize("name", ["Приборы Север", "Şirket żółć", "Ζυγοί"])
def test_names_in_other_letters_are_shown(name: str) -> None:
    assert squeezed(name) in "".join(pdf_text.pages(made(runs.healthy(customer={"name": name}))))


def test_a_letter_that_no_font_has_is_named() -> None:
    # U+F8F0 is for private use (The Unicode Standard, 23.5): no font gives it a shape here
    with pytest.raises(GlyphMissing, match="no font on this computer shows"):
        made(runs.healthy(customer={"name": "\uf8f0"}))


def test_a_warning_of_the_typesetter_is_an_error() -> None:
    with pytest.raises(TypesettingError):
        typeset({"number": "x"}, b"{}", datetime(2026, 3, 2, tzinfo=UTC))


def test_each_source_of_limits_is_told_once_under_its_letter(healthy_text: str) -> None:
    adjacent = squeezed("adjacent pair, from input and output resistance")
    # four pairs share two sources: the data sheet and the cell's own sheet
    assert healthy_text.count(adjacent) == 2
    assert squeezed("384.65 Ω to 385.65 Ω b decides") in healthy_text
    assert squeezed("b own sheet of 2023-11-27: input resistance") in healthy_text


def test_a_drawing_has_its_place() -> None:
    run = recorded(runs.healthy())
    drawing = (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 40 30">'
        '<path d="M20 2 38 15 20 28 2 15Z" fill="none" stroke="black"/>'
        '<text x="4" y="8" font-size="4" font-family="sans-serif">arm A: 350.1 Ω</text></svg>'
    )
    with_drawing = render(run, issue(run), drawing)
    pages = pdf_text.pages(with_drawing)
    assert len(pages) == 2
    assert squeezed("arm A: 350.1 Ω") in "".join(pages)
    assert squeezed("arm A") not in "".join(pdf_text.pages(render(run, issue(run))))


# the file


def test_it_says_that_it_is_pdf_a_3(opened: pikepdf.Pdf) -> None:
    """ISO 19005-3, 6.6.4: part and level of conformance stand in the metadata."""
    with opened.open_metadata() as metadata:
        assert metadata["pdfaid:part"] == "3"
        assert metadata["pdfaid:conformance"] == "B"
        assert metadata["dc:title"] == "Test certificate C-2026-0017"


def test_its_syntax_is_sound(opened: pikepdf.Pdf) -> None:
    assert opened.check_pdf_syntax() == []


def test_colours_have_an_output_intent(opened: pikepdf.Pdf) -> None:
    """ISO 19005-3, 6.2.3: the colours mean something without the printer that made them."""
    (intent,) = opened.Root.OutputIntents
    assert intent.S == "/GTS_PDFA1"
    assert intent.DestOutputProfile.read_bytes()[36:40] == b"acsp"  # ICC.1, 7.2: file signature


def test_all_fonts_are_embedded(opened: pikepdf.Pdf) -> None:
    """ISO 19005-3, 6.2.11.4.1."""
    seen = 0
    for page in opened.pages:
        for font in page.Resources.Font.values():
            for descendant in font.DescendantFonts:
                keys = set(descendant.FontDescriptor.keys())
                assert keys & {"/FontFile", "/FontFile2", "/FontFile3"}
                seen += 1
    assert seen


def test_nothing_runs_and_nothing_is_locked(opened: pikepdf.Pdf) -> None:
    """ISO 19005-3, 6.1.3 (no encryption) and 6.6 (no actions)."""
    assert not opened.is_encrypted
    assert "/OpenAction" not in opened.Root
    assert "/AA" not in opened.Root
    assert "/JavaScript" not in opened.Root.get("/Names", pikepdf.Dictionary())


def test_the_run_is_attached_as_json(opened: pikepdf.Pdf) -> None:
    """ISO 19005-3, 6.8: an associated file with its relationship and media type."""
    (associated,) = opened.Root.AF
    assert associated.AFRelationship == "/Data"
    assert associated.EF.F.Subtype == "/application/json"
    (name,) = opened.attachments
    assert name == "run-SIM-healthy-7-001.json"
    document = json.loads(opened.attachments[name].get_file().read_bytes())
    assert "".join(f"{line}\n" for line in document["journal"]).encode() == runs.healthy().data
    assert document["checks"][0]["findings"][0]["value"] == 385.13


# the bytes


def test_the_same_run_gives_the_same_bytes_in_any_zone_and_process(
    healthy: bytes, tmp_path: Path
) -> None:
    script = (
        "import sys; from tests.acq.certificates import rendering, runs;"
        "sys.stdout.buffer.write(rendering.made(runs.healthy()))"
    )
    for zone, seed in (("Asia/Kathmandu", "1"), ("America/St_Johns", "2")):
        environment = {**os.environ, "TZ": zone, "PYTHONHASHSEED": seed, "HOME": str(tmp_path)}
        again = subprocess.run(
            [sys.executable, "-c", script],
            env=environment,
            cwd=Path(__file__).parents[3],
            capture_output=True,
            check=True,
        )
        assert again.stdout == healthy


def test_another_run_gives_another_certificate(healthy: bytes) -> None:
    assert made(runs.healthy({"seed": 8})) != healthy


# issued


@pytest.fixture
def records(tmp_path: Path) -> Iterator[Records]:
    with Records.open(f"sqlite:///{tmp_path}/r.sqlite", simulated=True) as opened:
        yield opened


def test_an_issued_certificate_is_given_out_again_as_it_was(records: Records) -> None:
    records.deliver(runs.healthy().lines)
    first = certificate_of(records, records.run("SIM-healthy-7-001"))
    records.deliver(runs.faulty({"id": "later", "number": "later"}).lines)
    assert certificate_of(records, records.run("SIM-healthy-7-001")) == first
    assert records.verify().sound
    issued = records.issued_for("SIM-healthy-7-001")
    assert issued is not None
    assert issued.issue.approver == "Sam Specimen"
    assert issued.issue.head in "".join(pdf_text.pages(first))


def test_fresh_records_of_the_same_simulated_run_give_the_same_bytes(
    records: Records, tmp_path: Path
) -> None:
    records.deliver(runs.healthy().lines)
    first = certificate_of(records, records.run("SIM-healthy-7-001"))
    with Records.open(f"sqlite:///{tmp_path}/other.sqlite", simulated=True) as other:
        for end in range(1, len(runs.healthy().lines) + 1, 7):
            other.deliver(runs.healthy().lines[:end])
        other.close_run(runs.healthy().lines)
        assert certificate_of(other, other.run("SIM-healthy-7-001")) == first


def test_an_approver_is_not_changed_in_silence(records: Records) -> None:
    records.deliver(runs.healthy().lines)
    run = records.run("SIM-healthy-7-001")
    first = certificate_of(records, run, approver="Kim Sample")
    assert certificate_of(records, run, approver="Kim Sample") == first
    with pytest.raises(WrongInput, match="issued with Kim Sample as approver"):
        certificate_of(records, run, approver="Lee Proxy")
    amended = certificate_of(records, run, approver="Lee Proxy", because="approver's name")
    assert amended != first
    assert certificate_of(records, run) == amended


def test_a_run_that_went_on_gets_a_new_certificate_that_names_the_old_one(
    records: Records,
) -> None:
    journal = runs.leads_and_insulation(runs.begin()).close("interrupted", 130, "withheld")
    records.deliver(journal.lines)
    first = certificate_of(records, records.run("SIM-healthy-7-001"))
    journal.add("resumed", attempt=2).check("zero", runs.ratio("zero", 1e-6, 2e-5, "x"), attempt=2)
    records.deliver(journal.close().lines)
    second = certificate_of(records, records.run("SIM-healthy-7-001"))
    assert second != first
    assert squeezed("Replaces certificate SIM-healthy-7-001-C.") in pdf_text.pages(second)[0]


@pytest.mark.parametrize(
    ("workshop", "approver"),
    [
        ({"approver": "Sam Specimen"}, "Sam Specimen"),
        ({"performer_approves": True}, "Robin Example"),
        ({}, None),
    ],
)
def test_the_workshops_setting_says_who_approves(
    records: Records, workshop: dict[str, Any], approver: str | None
) -> None:
    records.deliver(runs.healthy(workshop={"name": "W", **workshop}).lines)
    certificate_of(records, records.run("SIM-healthy-7-001"))
    issued = records.issued_for("SIM-healthy-7-001")
    assert issued is not None
    assert issued.issue.approver == approver


def diagnosed(run: dict[str, Any] | None = None) -> WrittenJournal:
    """A run that ends with a diagnosis."""
    journal = runs.leads_and_insulation(runs.begin(run))
    journal.start_check("diagnosis")
    told = {
        "faults": [
            {
                "fault": "open-arm",
                "where": ["Ex+", "S+"],
                "probability": 0.97,
                "evidence": ["Ex+ S+ reads 1069.3 ohm."],
                "next_test": "repeat it",
            },
            {"fault": "unknown", "where": [], "probability": 0.03, "evidence": []},
        ],
        "next_test": "Repeat the pair with fresh clips.",
        "probabilities": "probabilities hold for returned cells",
    }
    place = {"check": "diagnosis", "attempt": 1}
    journal.add("effect", **place, kind="diagnosis", ask="faults", got=told)
    journal.add("check-closed", **place, state="passed", because="")
    return journal.close("finished", 1, "fail")


def test_a_diagnosis_is_an_opinion_apart_from_the_results() -> None:
    text = "".join(pdf_text.pages(made(diagnosed())))
    assert squeezed("Opinion: which part is suspect").lower() in text.lower()
    assert squeezed("Open arm at Ex+ S+, probability 0.97. Ex+ S+ reads 1069.3 Ω.") in text
    assert squeezed("Unknown, probability 0.03.") in text
    assert squeezed("Next test: Repeat the pair with fresh clips.") in text
    assert squeezed("Probabilities hold for returned cells.") in text
    assert squeezed("no result itself (ISO/IEC 17025:2017, 7.8.7)") in text


def test_without_a_diagnosis_there_is_no_opinion(healthy_text: str) -> None:
    assert "opinion" not in healthy_text.lower()


def test_as_left_says_what_was_done(healthy_text: str) -> None:
    run = {"stage": "as left", "work_done": "recabled, dried 24 h"}
    text = "".join(pdf_text.pages(made(diagnosed(run))))
    assert squeezed("State of the item as left") in text
    assert squeezed("recabled, dried 24 h") in text
    assert squeezed("State of the item") not in healthy_text
