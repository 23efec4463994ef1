"""`bridgebench analyse leads`: a file of readings in; drawing, document and exit code out."""

from __future__ import annotations

import json
import math
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import pytest

from acq.desk.command_line import run_command
from acq.desk.exit_codes import ExitCode

Capture = pytest.CaptureFixture[str]

SOUND = {
    "Ex+,Ex-": "385.10", "S+,S-": "351.30", "Ex+,S+": "280.553", "Ex+,S-": "280.550",
    "Ex-,S+": "280.550", "Ex-,S-": "280.552",
}  # fmt: skip
SENSE = {
    "Ex+,Se+": "0.71", "Ex-,Se-": "0.70", "Se+,Se-": "385.10", "Ex+,Se-": "385.10",
    "Ex-,Se+": "385.10", "Se+,S+": "280.55", "Se+,S-": "280.55", "Se-,S+": "280.55",
    "Se-,S-": "280.55",
}  # fmt: skip
SCREENS = {"Ex+,housing": ">2e10", "Ex+,shield": ">2e10", "shield,housing": ">2e10"}
OPEN_ARM = {
    "Ex+,Ex-": "735.4", "S+,S-": "701.8", "Ex+,S+": "1068.6", "Ex+,S-": "368.1",
    "Ex-,S+": "368.1", "Ex-,S-": "368.1", "zero_mv_v,": "-476.2", "excitation_v,": "5",
}  # fmt: skip


def write(folder: Path, *tables: dict[str, str]) -> Path:
    rows = [f"{ends},{ohms}" for table in tables for ends, ohms in table.items()]
    path = folder / "leads.csv"
    path.write_text("\n".join(["from,to,ohms", *rows]) + "\n", encoding="utf-8")
    return path


def told(capsys: Capture, path: Path, *more: str) -> tuple[ExitCode, dict[str, Any]]:
    code = run_command(["analyse", "leads", str(path), "--json", *more])
    out = capsys.readouterr().out
    document: dict[str, Any] = json.loads(out)
    return code, document


def test_an_open_arm_without_papers(tmp_path: Path, capsys: Capture) -> None:
    code, document = told(capsys, write(tmp_path, OPEN_ARM))
    assert code is ExitCode.FAILED
    first = document["faults"][0]
    assert set(first) == {"fault", "where", "probability", "evidence", "next_test"}
    assert first["fault"] == "open-arm"
    assert first["where"] == ["Ex+", "S+"]
    assert first["probability"] > 0.9
    assert any("1068.6" in line for line in first["evidence"])
    assert document["nominal"] == {
        "ohms": 350.0,
        "inferred": True,
        "source": "nominal inferred from the readings",
        "wires": 4,
    }
    # (368.1 + 368.1 - 1068.6 - 368.1) / (2 x 735.4): what the six pairs demand, whatever is wrong
    assert document["predicted_zero_mv_v"] == pytest.approx(-476.27, abs=0.01)
    assert document["arms"][0]["open"]
    assert document["arms"][1]["ohms"] == pytest.approx(350.5, abs=2.0)


def test_a_sound_cell_against_its_own_sheet(tmp_path: Path, capsys: Capture) -> None:
    zero = {"zero_mv_v,": "-0.007", "excitation_v,": "10", "temperature_c,": "22.3"}
    path = write(tmp_path, SOUND, SENSE, SCREENS, zero)
    code, document = told(capsys, path, "--sheet", "B-011902")
    assert code is ExitCode.DONE
    assert document["faults"][0]["fault"] == "none-found"
    assert document["papers"].startswith("B-011902, data sheet")
    assert "symmetrical" in document["assumption"]
    assert document["disagreements"] == []
    assert [arm["arm"] for arm in document["arms"]] == ["A", "B", "C", "D"]
    for arm in document["arms"]:
        assert arm["ohms"] == pytest.approx(350.6, abs=3 * arm["expanded_uncertainty"])
    assert any("Polarity" in line for line in document["cannot_see"])


def test_one_sided_compensation_of_the_papers_is_the_assumption(
    tmp_path: Path, capsys: Capture
) -> None:
    rows = {
        "Ex+,Ex-": "405.3", "S+,S-": "350.4", "Ex+,S+": "317.8", "Ex+,S-": "317.8",
        "Ex-,S+": "262.8", "Ex-,S-": "262.8", "temperature_c,": "22.0",
    }  # fmt: skip
    code, document = told(capsys, write(tmp_path, rows, SCREENS), "--sheet", "A-000417")
    assert code is ExitCode.DONE
    assert "one-sided" in document["assumption"]
    code, document = told(capsys, write(tmp_path, rows, SCREENS), "--sheet", "B-011902")
    assert document["faults"][0]["fault"] != "none-found"


def test_the_papers_of_another_cell_are_found_out(tmp_path: Path, capsys: Capture) -> None:
    path = write(tmp_path, SOUND, SCREENS)
    code, document = told(capsys, path, "--sheet", "C-003358")
    assert code is ExitCode.FAILED
    assert document["faults"][0]["fault"] == "wrong-papers"


def test_insulation_readings_are_solved_as_a_delta(tmp_path: Path, capsys: Capture) -> None:
    wet = {"Ex+,housing": "0.98e9", "Ex+,shield": "1.0e9", "shield,housing": "2e8"}
    _, document = told(capsys, write(tmp_path, SOUND, wet))
    paths = {one["path"]: one["ohms"] for one in document["insulation_paths"]}
    # each reading sees its own path beside the other two in series
    a, b, c = paths["leads to housing"], paths["leads to shield"], paths["shield to housing"]
    assert 1 / (1 / a + 1 / (b + c)) == pytest.approx(0.98e9, rel=1e-9)
    assert 1 / (1 / b + 1 / (a + c)) == pytest.approx(1.0e9, rel=1e-9)


def test_colours_are_identified_by_their_ohms_and_then_diagnosed(
    tmp_path: Path, capsys: Capture
) -> None:
    colour = {"Ex+": "red", "Ex-": "black", "S+": "white", "S-": "green"}
    rows = {",".join(colour[end] for end in ends.split(",")): ohms for ends, ohms in SOUND.items()}
    code, document = told(capsys, write(tmp_path, rows, {"bare,red": "open"}))
    assert code is ExitCode.DONE
    wiring = {one["wire"]: one for one in document["wiring"]}
    assert {wiring["red"]["lead"], wiring["black"]["lead"]} == {"Ex+", "Ex-"}
    assert {wiring["white"]["lead"], wiring["green"]["lead"]} == {"S+", "S-"}
    assert wiring["bare"]["lead"] == "shield"
    assert wiring["red"]["needs_load"]
    assert wiring["red"]["evidence"]


def test_exchanged_leads_are_said_with_the_wire(tmp_path: Path, capsys: Capture) -> None:
    exchanged = {
        "Ex+,Ex-": "280.55", "S+,S-": "280.56", "Ex+,S+": "280.56", "Ex+,S-": "351.30",
        "Ex-,S+": "385.10", "Ex-,S-": "280.55",
    }  # fmt: skip
    code, document = told(capsys, write(tmp_path, exchanged, SCREENS))
    assert code is ExitCode.FAILED
    assert document["faults"][0]["fault"] == "swapped-leads"
    assert document["faults"][0]["where"] == ["Ex+", "S+"]
    assert any("Ex+ is marked Ex+" in line for line in document["disagreements"])


def test_people_get_a_drawing_in_text_with_the_fault_and_the_next_test(
    tmp_path: Path, capsys: Capture
) -> None:
    run_command(["analyse", "leads", str(write(tmp_path, OPEN_ARM))])
    text = capsys.readouterr().out
    assert "[!A!]" in text
    assert "open-arm at arm A (Ex+ to S+)" in text
    assert "Next test:" in text
    assert "a nominal of 350 ohm is inferred" in text
    assert "Probabilities hold for the population" in text


def test_the_drawing_is_written_as_svg(tmp_path: Path, capsys: Capture) -> None:
    drawing = tmp_path / "bridge.svg"
    told(capsys, write(tmp_path, OPEN_ARM), "--drawing", str(drawing))
    root = ET.fromstring(drawing.read_text(encoding="utf-8"))
    words = " ".join(node.text or "" for node in root.iter() if node.tag.endswith("text"))
    assert "SUSPECT:" in words
    assert "open-arm" in words


@pytest.mark.parametrize(
    ("rows", "more", "said"),
    [
        ({"Ex+,Ex-": "386", "Ex+,S": "281"}, (), "no lead 'S'"),
        (OPEN_ARM, ("--sheet", "B-999999"), "no cell 'B-999999'"),
        ({"a,b": "386", "a,c": "281"}, (), "cannot be identified"),
        ({"Ex+,Ex-": "open", "S+,S-": "open"}, (), "between 1 ohm and 100 kohm"),
    ],
)
def test_what_cannot_be_analysed_is_one_line_and_code_2(
    rows: dict[str, str], more: tuple[str, ...], said: str, tmp_path: Path, capsys: Capture
) -> None:
    code = run_command(["analyse", "leads", str(write(tmp_path, rows)), "--json", *more])
    captured = capsys.readouterr()
    assert code is ExitCode.WRONG_INPUT
    assert captured.out == ""
    assert said in captured.err
    assert captured.err.count("\n") == 1


def test_readings_that_fit_nothing_leave_the_case_open(tmp_path: Path, capsys: Capture) -> None:
    odd = dict(zip(SOUND, ("500", "20", "900", "33", "410", "77"), strict=True))
    code, document = told(capsys, write(tmp_path, odd))
    assert code is ExitCode.UNDECIDED
    assert document["faults"][0]["fault"] in ("unknown", "built-in-electronics")
    assert not any(math.isnan(x["probability"]) for x in document["faults"])


def test_a_data_sheet_alone_is_enough(tmp_path: Path, capsys: Capture) -> None:
    sheet = tmp_path / "type.toml"
    sheet.write_text(
        'type = "XX-1"\nelectronics = "none"\ninput_resistance = "385 ± 12 ohm"\n'
        'output_resistance = "351 ± 2 ohm"\nrated_output = "2.0 mV/V ± 0.1 %"\n'
        'zero_balance = "± 1 %RO"\n[compensation]\nlayout = "symmetrical"\n'
        '[cable]\nwires = 4\nlength = "5 m"\nconductor_area = "0.25 mm2"\n',
        encoding="utf-8",
    )
    code, document = told(capsys, write(tmp_path, OPEN_ARM), "--sheet", str(sheet))
    assert code is ExitCode.FAILED
    assert document["faults"][0]["fault"] == "open-arm"
    assert document["nominal"]["source"] == "data sheet XX-1"


def test_papers_with_built_in_electronics_are_refused(tmp_path: Path, capsys: Capture) -> None:
    sheet = tmp_path / "type.toml"
    sheet.write_text('type = "XX-2"\nelectronics = "amplifier"\n', encoding="utf-8")
    code = run_command(["analyse", "leads", str(write(tmp_path, SOUND)), "--sheet", str(sheet)])
    assert code is ExitCode.WRONG_INPUT
    assert "amplifier" in capsys.readouterr().err


def test_the_arms_are_told_although_a_sense_lead_is_open(tmp_path: Path, capsys: Capture) -> None:
    cut = {ends: "open" if "Se-" in ends else ohms for ends, ohms in SENSE.items()}
    path = write(tmp_path, SOUND, cut, SCREENS)
    _, document = told(capsys, path, "--sheet", "B-011902")
    assert document["faults"][0]["fault"] == "open-sense-lead"
    assert [arm["arm"] for arm in document["arms"]] == ["A", "B", "C", "D"]
    for arm in document["arms"]:
        assert arm["ohms"] == pytest.approx(350.6, abs=1.0)


def test_how_small_a_fault_may_be_is_told_when_asked(tmp_path: Path, capsys: Capture) -> None:
    path = write(tmp_path, OPEN_ARM)
    _, document = told(capsys, path, "--sheet", "B-011902", "--limits")
    limits = document["detection_limits"]["limits"]
    of_arms = [one["size"] for one in limits if one["fault"] == "arm-changed"]
    assert len(of_arms) == 4
    assert all(size is not None and 0.1 < size < 20.0 for size in of_arms)  # percent of the arm
    shorts = [one for one in limits if one["fault"] == "lead-short" and len(one["where"]) == 2]
    # conductors that touch next to the cell, Ex+ and Se+, change no reading
    sense = next(one for one in shorts if one["where"] == ["Ex+", "Se+"])
    assert sense["part_of_the_cable"] < 1.0
    turned = [x for x in limits if x["fault"] == "swapped-leads" and x["where"] == ["S+", "S-"]]
    assert turned[0]["size"] is None


def test_drawing_shows_input_output_and_zero(tmp_path: Path, capsys: Capture) -> None:
    drawing = tmp_path / "bridge.svg"
    run_command(["analyse", "leads", str(write(tmp_path, OPEN_ARM)), "--drawing", str(drawing)])
    text = drawing.read_text(encoding="utf-8")
    assert "input Ex+ Ex-: 735.40 ohm, expected 385" in text
    assert "zero: -476.2 mV/V" in text
    assert "input Ex+ Ex-: 735.40 ohm" in capsys.readouterr().out
