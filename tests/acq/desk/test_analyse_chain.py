"""`bridgebench analyse chain`: one answer, its exit code, one document, one form."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from acq.cells.chain_visit import EXAMPLES
from acq.desk.command_line import run_command
from acq.desk.exit_codes import ExitCode

Capture = pytest.CaptureFixture[str]


def test_the_example_names_the_open_pair_that_the_total_hides(capsys: Capture) -> None:
    assert run_command(["analyse", "chain", "hopper-7", "--json"]) is ExitCode.FAILED
    document = json.loads(capsys.readouterr().out)

    assert (document["block"], document["cell"]) == ("junction box", 2)
    assert document["probability"] > 0.9
    assert any("load over cell 2" in line for line in document["evidence"])
    parts = [s["probability"] for s in document["suspects"]]
    assert sum(parts) + document["none"] + document["unknown"] == pytest.approx(1.0)
    assert document["next_steps"][0]["cautions"]


def test_the_report_carries_the_cautions_and_the_population(capsys: Capture) -> None:
    run_command(["analyse", "chain", "hopper-7"])
    text = capsys.readouterr().out

    for words in ("Permit to work", "hazardous area", "opened loop trips", "suspended", "barriers"):
        assert words in text
    assert "our judgement" in text


@pytest.mark.parametrize(
    ("fed", "block"),
    [
        # neither zero nor span, nor any other single fault: 875 kg of span from -175 kg
        ([("control system", "4 mA", "", "-175 kg"), ("control system", "20 mA", "", "700 kg")],
         "control system"),
        # 24 mA less what it should send
        ([("transmitter", "0.7 mV/V", "12.9 mA", ""), ("transmitter", "0.5 mV/V", "16.1 mA", ""),
          ("transmitter", "1.0 mV/V", "8.1 mA", "")], "transmitter"),
        # a single one may be mistyped
        ([("control system", "12 mA", "", "100 kg")], None),
    ],
)  # fmt: skip
def test_what_goes_in_and_comes_out_wrong_twice_is_in_that_block_whatever_it_is(
    tmp_path: Path, capsys: Capture, fed: list[tuple[str, str, str, str]], block: str | None
) -> None:
    text = (EXAMPLES / "hopper-7.toml").read_text(encoding="utf-8")
    entries = [
        f'[[fed]]\nat = "{at}"\nvalue = "{value}"\ncurrent = "{current}"\ndisplay = "{shown}"\n'
        for at, value, current, shown in fed
    ]
    path = tmp_path / "fed.toml"
    path.write_text(text[: text.index("# As found")] + "\n".join(entries), encoding="utf-8")
    run_command(["analyse", "chain", str(path), "--json"])
    document = json.loads(capsys.readouterr().out)
    assert document["block"] == block, document["because"]
    if block is not None:
        assert document["probability"] > 0.9


def test_without_readings_the_form_is_offered_and_has_what_to_expect(
    tmp_path: Path, capsys: Capture
) -> None:
    text = (EXAMPLES / "hopper-7.toml").read_text(encoding="utf-8")
    path = tmp_path / "blank.toml"
    path.write_text(text[: text.index("# As found")], encoding="utf-8")

    assert run_command(["analyse", "chain", str(path)]) is ExitCode.WRONG_INPUT
    assert "--form" in capsys.readouterr().err
    assert run_command(["analyse", "chain", str(path), "--form"]) is ExitCode.DONE
    form = capsys.readouterr().out
    assert max(len(line) for line in form.splitlines()) <= 100
    for words in ("Permit", "Never drive current into a powered input", "removed, by operations"):
        assert words in " ".join(form.split())
    twelve = next(line for line in form.splitlines() if line.split()[:1] == ["12.0"])
    assert twelve.split()[-1] == "500.0"  # 12 mA of 0 to 1000 kg
    pages = form.split("\f")
    assert max(page.count("\n") for page in pages) <= 62
    assert all(f"page {number} of {len(pages)}" in page for number, page in enumerate(pages, 1))
    for section in re.split(r"\n(?=[2-7]\. )", form)[1:]:  # where the hand acts the caution stands
        assert "   ! " in section, section[:60]


def test_readings_typed_in_later_and_pulsed_excitation_are_said(
    tmp_path: Path, capsys: Capture
) -> None:
    text = (EXAMPLES / "hopper-7.toml").read_text(encoding="utf-8")
    text = text.replace("typed_in_later = false", "typed_in_later = true")
    path = tmp_path / "typed.toml"
    path.write_text(text.replace('"0.4 mV"', '"2.5 V"'), encoding="utf-8")

    run_command(["analyse", "chain", str(path), "--json"])
    notes = json.loads(capsys.readouterr().out)["notes"]
    assert any("typed in later" in note for note in notes)
    assert any("pulsed or alternating" in note for note in notes)


def test_a_wrong_file_is_one_line(tmp_path: Path, capsys: Capture) -> None:
    assert run_command(["analyse", "chain", str(tmp_path / "none.toml")]) is ExitCode.WRONG_INPUT
    assert capsys.readouterr().err.count("\n") == 1
