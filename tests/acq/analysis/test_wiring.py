"""What to clip where: nothing is forgotten, nothing is promised that no ohms have shown."""

from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree

import pytest

from acq.analysis.leads import FOUR_WIRE_PAIRS, SIX_WIRE_PAIRS, Lead
from acq.analysis.wiring import (
    Instrument,
    WiredCell,
    WiringPlan,
    WiringTest,
    wiring,
)
from acq.analysis.wiring_drawing import drawing, text_drawing

COLOURS = {Lead.EX_PLUS: "red", Lead.EX_MINUS: "black", Lead.S_PLUS: "green", Lead.S_MINUS: "white"}


def cell(wires: int = 6, **changes: object) -> WiredCell:
    return replace(
        WiredCell(
            name="T-1",
            wires=wires,
            pairs=SIX_WIRE_PAIRS if wires == 6 else FOUR_WIRE_PAIRS,
            colours=COLOURS,
            colours_from="data sheet T",
            shield="not connected",
            volts=10.0,
            current_limit=0.052,
            insulation_volts=50.0,
            input_ohms=385.0,
            lead_ohms=0.35,
        ),
        **changes,  # type: ignore[arg-type]
    )


def clips(plan: WiringPlan, place: int = 0) -> dict[str, Lead]:
    return {clip.terminal: clip.lead for clip in plan.situations[place].clips}


@pytest.mark.parametrize("wires", [4, 6])
def test_every_pair_gets_four_terminals_and_every_lead_its_turn(wires: int) -> None:
    plan = wiring(cell(wires), WiringTest.OHMS)

    assert len(plan.situations) == len(cell(wires).pairs)
    for situation, pair in zip(plan.situations, cell(wires).pairs, strict=True):
        found = {clip.terminal: clip.lead for clip in situation.clips}
        assert found["dmm HI"] == found["dmm sense HI"] == pair.one
        assert found["dmm LO"] == found["dmm sense LO"] == pair.other
    assert any("disconnected" in line for line in plan.cautions)


def test_insulation_joins_all_leads_and_none_of_them_is_on_minus() -> None:
    plan = wiring(cell(6), WiringTest.INSULATION)
    first = plan.situations[0]

    plus = {clip.lead for clip in first.clips if clip.terminal == "insulation +"}
    minus = {clip.lead for clip in first.clips if clip.terminal == "insulation -"}
    assert plus == set(cell(6).leads)
    assert minus == {Lead.HOUSING}
    assert [s.title for s in plan.situations[1:]] == ["leads to shield", "shield to housing"]
    assert any("50 V DC at most" in line for line in plan.cautions)
    assert any("explosive" in line for line in plan.cautions)


def test_a_shield_tied_to_the_housing_is_never_tested_across_nor_earthed_twice() -> None:
    tied = cell(6, shield="connected")
    insulation = wiring(tied, WiringTest.INSULATION)
    zero = wiring(tied, WiringTest.ZERO)

    leads = {clip.lead for s in insulation.situations for clip in s.clips}
    assert Lead.SHIELD not in leads
    assert clips(zero)["nothing (left free here)"] is Lead.SHIELD
    assert any("no second earth" in note for note in zero.notes)


def test_papers_that_forbid_a_test_are_obeyed_with_their_reason() -> None:
    objecting = cell(insulation_objection="it has a built-in amplifier", bridge_objection="x")

    for test in WiringTest:
        plan = wiring(objecting, test)
        assert plan.situations == ()
        assert plan.refused == (
            "it has a built-in amplifier" if test is WiringTest.INSULATION else "x"
        )


def test_sense_goes_to_the_sense_leads_or_is_linked_at_the_end_of_a_four_wire_cell() -> None:
    six = wiring(cell(6), WiringTest.ZERO, Instrument(6))
    four = wiring(cell(4), WiringTest.ZERO, Instrument(6))

    assert clips(six)["supply sense +"] is Lead.SE_PLUS
    assert clips(six)["second dmm LO"] is Lead.SE_MINUS
    assert clips(four)["supply sense +"] is Lead.EX_PLUS
    assert any("cell's own cable begins" in link for link in four.situations[0].links)
    assert any("never shorten" in note for note in four.notes)


def test_a_six_wire_cell_on_four_wires_has_its_conductors_joined_and_says_what_that_costs() -> None:
    plan = wiring(cell(6), WiringTest.ZERO, Instrument(4, 1.75))

    assert any(line.startswith("join Se+ with Ex+") for line in plan.situations[0].links)
    leads = [clip.lead for clip in plan.situations[0].clips if clip.terminal == "supply +"]
    assert set(leads) == {Lead.EX_PLUS, Lead.SE_PLUS}
    # by hand: 2 x (1.75 + 0.35/2) / (385 + 2 x (1.75 + 0.35/2)) = 0.99 %
    assert any("0.99%" in note for note in plan.notes)


def test_colours_are_guesses_until_ohms_agree() -> None:
    plan = wiring(cell(4), WiringTest.ZERO)
    shown = wiring(
        cell(4, evidence={Lead.EX_PLUS: "385 ohm", Lead.EX_MINUS: "385 ohm"}), WiringTest.ZERO
    )

    assert all(clip.guessed for clip in plan.situations[0].clips if clip.lead in COLOURS)
    assert "red?  (guess)" in text_drawing(plan.situations[0])
    assert "red  (385 ohm)" in text_drawing(shown.situations[0])
    assert "green?  (guess)" in text_drawing(shown.situations[0])
    assert not any("guess until ohms agree: Ex+" in note for note in shown.notes)
    none = wiring(cell(4, colours={}), WiringTest.ZERO)
    assert any("no colours" in note for note in none.notes)


def test_load_has_its_own_caution_and_reversal_obeys_the_papers() -> None:
    load = wiring(cell(), WiringTest.LOAD)
    kept = wiring(cell(reversal_objection="it has surge parts"), WiringTest.ZERO)

    assert any("nobody under" in line for line in load.cautions)
    assert any("at most 1 V, current limit 52 mA" in line for line in load.cautions)
    assert any("Do not reverse" in line and "surge parts" in line for line in kept.cautions)


@pytest.mark.parametrize("test", list(WiringTest))
@pytest.mark.parametrize("wires", [4, 6])
def test_every_drawing_is_a_picture_with_every_lead_in_it(test: WiringTest, wires: int) -> None:
    for situation in wiring(cell(wires), test).situations:
        text = drawing("T-1 <x>", situation)
        root = ElementTree.fromstring(text)
        words = " ".join(root.itertext())
        for clip in situation.clips:
            assert clip.lead in words
            assert clip.terminal in words


def test_other_wire_counts_are_refused() -> None:
    with pytest.raises(ValueError, match="4 or 6"):
        wiring(cell(), WiringTest.ZERO, Instrument(5))
