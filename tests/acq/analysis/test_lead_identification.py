from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acq.analysis.lead_identification import identify_leads
from acq.analysis.leads import LEAD_ORDER, Lead
from acq.analysis.network import BRIDGE_LEADS, BridgeElements, lead_resistances

COLOURS = ("brown", "white", "pink", "grey", "yellow", "green", "screen")
EXCITATION = {Lead.EX_PLUS, Lead.EX_MINUS, Lead.SE_PLUS, Lead.SE_MINUS}
SIGNAL = {Lead.S_PLUS, Lead.S_MINUS}


def table(
    order: list[int], wires: int, legs: tuple[float, float] = (17.5, 17.5), conductor: float = 0.35
) -> tuple[list[tuple[str, str, float]], dict[str, Lead]]:
    """Return readings between coloured wires, and which lead each wire really is."""
    elements = BridgeElements(
        np.array([350.1, 349.9, 350.2, 350.0]), np.array(legs), np.full(6, conductor)
    )
    ohms = lead_resistances(elements)
    leads = [x for x in BRIDGE_LEADS if wires == 6 or not x.startswith("Se")]
    truth = {COLOURS[place]: leads[number] for place, number in enumerate(order)}
    rows = [
        (a, b, float(ohms[LEAD_ORDER[truth[a]], LEAD_ORDER[truth[b]]]))
        for a, b in combinations(truth, 2)
    ]
    rows += [("screen", wire, np.inf) for wire in truth]
    return rows, truth


@settings(max_examples=30, deadline=None)
@given(order=st.permutations(range(6)))
def test_ohms_tell_the_leads_of_a_six_wire_cell_whatever_their_colours(order: list[int]) -> None:
    rows, truth = table(order, 6)
    found = identify_leads(rows)
    for wire, lead in truth.items():
        one = found.of(wire)
        assert one.lead in (EXCITATION if lead in EXCITATION else SIGNAL)
        assert lead in one.either
        assert one.needs_load
        assert one.evidence
    assert found.of("screen").lead is Lead.SHIELD
    assert not found.of("screen").needs_load
    by_end: dict[str, set[str]] = {}
    for wire, lead in truth.items():
        if lead in EXCITATION:
            by_end.setdefault(lead[-1], set()).add(str(found.of(wire).lead)[-1])
    assert all(len(ends) == 1 for ends in by_end.values())


@settings(max_examples=24, deadline=None)
@given(order=st.permutations(range(4)))
def test_ohms_tell_excitation_from_signal_on_four_wires(order: list[int]) -> None:
    rows, truth = table(order, 4, legs=(35.0, 0.0))
    found = identify_leads(rows)
    for wire, lead in truth.items():
        assert found.of(wire).lead in (EXCITATION if lead in EXCITATION else SIGNAL)
    assert any("load of known sign" in line for line in found.open_questions)


def test_without_compensation_ohms_leave_the_two_pairs_open() -> None:
    rows, _ = table([0, 1, 2, 3], 4, legs=(0.0, 0.0))
    found = identify_leads(rows)
    assert len(found.of("brown").either) == 4
    assert any("without compensation" in line for line in found.open_questions)


def test_exchanged_pairs_are_found_against_the_marks() -> None:
    rows, truth = table([0, 1, 2, 3], 4)
    wrong = {
        "brown": Lead.S_PLUS, "white": Lead.EX_MINUS, "pink": Lead.EX_PLUS, "grey": Lead.S_MINUS,
    }  # fmt: skip
    assert truth["brown"] is Lead.EX_PLUS
    told = " ".join(identify_leads(rows, marked=wrong).exchanged)
    assert "brown is marked S+" in told
    assert "pink is marked Ex+" in told
    assert "white" not in told
    assert identify_leads(rows, marked=truth).exchanged == ()


def test_crossed_sense_leads_are_found_against_the_marks() -> None:
    rows, truth = table([0, 1, 2, 3, 4, 5], 6)
    crossed = {**truth, "pink": Lead.SE_MINUS, "grey": Lead.SE_PLUS}
    assert any("sense" in line for line in identify_leads(rows, marked=crossed).exchanged)


def test_two_leads_that_are_open_to_all_are_left_open() -> None:
    rows, _ = table([0, 1, 2, 3], 4)
    rows += [("bare", wire, np.inf) for wire in ("brown", "white", "pink", "grey", "screen")]
    found = identify_leads(rows)
    assert found.of("bare").lead is None
    assert any("broken lead" in line for line in found.open_questions)


@pytest.mark.parametrize(
    ("rows", "match"),
    [
        ([("a", "b", 350.0)], "at least four"),
        ([("a", "a", 1.0)], "to itself"),
        ([(a, b, 300.0) for a, b in combinations("abcd", 2)], "clearly more"),
        ([(a, b, 300.0) for a, b in combinations("abcde", 2)], "four terminals"),
        ([(a, b, 300.0) for a, b in combinations("abcd", 2)][1:], "is missing"),
    ],
)
def test_readings_that_show_no_bridge_are_refused(
    rows: list[tuple[str, str, float]], match: str
) -> None:
    with pytest.raises(ValueError, match=match):
        identify_leads(rows)
