from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import pytest

from acq.analysis.drawing import ACCENT, BridgePicture, Part, as_svg, ohms_part, words
from acq.analysis.drawing_text import as_text
from acq.analysis.faults import Fault, FaultAt
from acq.analysis.leads import Lead

SVG = "{http://www.w3.org/2000/svg}"
PICTURE = BridgePicture(
    title="A-000000 (invented) <350 ohm>",
    arms={arm: ohms_part(350.0 + place, 350.2, 0.12) for place, arm in enumerate("ABCD")},
    legs={"Ex+": ohms_part(None, 17.0)},
    leads={Lead.EX_PLUS: Part(measured="0.35 ohm")},
    paths={Lead.HOUSING: Part(measured="100 Mohm", expected="above 5 Gohm")},
    suspects=(
        FaultAt(Fault.ARM_CHANGED, (Lead.EX_PLUS, Lead.S_PLUS)),
        FaultAt(Fault.OPEN_LEAD, (Lead.S_MINUS,)),
        FaultAt(Fault.MOISTURE_IN_CELL, (Lead.HOUSING,)),
    ),
    wires=6,
    notes=("Arms hold with compensation symmetrical.",),
)


def texts(svg: str) -> list[str]:
    return [node.text or "" for node in ET.fromstring(svg).iter(f"{SVG}text")]


def test_the_drawing_is_well_formed_and_holds_every_value_as_text() -> None:
    told = " ".join(texts(as_svg(PICTURE)))
    for wanted in ("350.00 ± 0.12 ohm", "353.00", "expected 350.20 ohm", "0.35 ohm", "100 Mohm"):
        assert wanted in told
    assert "A-000000 (invented) <350 ohm>" in told


def test_a_suspect_is_seen_without_any_colour() -> None:
    svg = as_svg(PICTURE)
    grey = svg.replace(ACCENT, "#000000")
    root = ET.fromstring(grey)
    dashed = [node for node in root.iter() if node.get("stroke-dasharray")]
    assert len(dashed) == 2  # the arm and the lead
    assert all(float(node.get("stroke-width", "0")) >= 3.0 for node in dashed)
    told = " ".join(texts(grey))
    assert told.count("SUSPECT") == 3
    for fault in ("arm-changed", "open-lead", "moisture-in-cell"):
        assert fault in told


def test_a_sound_bridge_has_no_thick_or_broken_line() -> None:
    svg = as_svg(BridgePicture(title="sound"))
    assert "stroke-dasharray" not in svg
    assert "SUSPECT" not in svg
    assert ACCENT not in svg


def test_all_that_is_drawn_lies_on_the_sheet() -> None:
    root = ET.fromstring(as_svg(PICTURE))
    width, height = (float(x) for x in root.get("viewBox", "").split()[2:])
    for node in root.iter(f"{SVG}text"):
        assert 0 <= float(node.get("x", "-1")) <= width
        assert 0 <= float(node.get("y", "-1")) <= height


def test_the_text_drawing_says_the_same_and_lines_up() -> None:
    text = as_text(PICTURE)
    assert "[!A!]" in text
    assert "[ B ]" in text
    assert "S-!" in text
    for line in words(PICTURE):
        assert line in text
    sketch = [line for line in text.splitlines() if re.search("[│┬┤├┴]", line)]
    assert {line.index(re.search("[│┬┤┴]", line)[0]) for line in sketch} == {15}  # type: ignore[index]


@pytest.mark.parametrize("wires", [4, 6])
def test_sense_leads_are_drawn_on_six_wires_only(wires: int) -> None:
    told = texts(as_svg(BridgePicture(title="x", wires=wires)))
    assert ("Se+" in told) is (wires == 6)
