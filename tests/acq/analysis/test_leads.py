from __future__ import annotations

from itertools import combinations, pairwise

import pytest

from acq.analysis.leads import FOUR_WIRE_PAIRS, SIX_WIRE_PAIRS, Lead, LeadPair, lead_pairs


def test_a_pair_has_no_direction() -> None:
    assert LeadPair.of("S+", "Ex+") == LeadPair.of(Lead.EX_PLUS, Lead.S_PLUS)
    assert str(LeadPair.of("housing", "Ex-")) == "Ex- housing"


def test_a_pair_is_read_back_from_its_own_text() -> None:
    for one, other in combinations(Lead, 2):
        pair = LeadPair.of(other, one)
        assert LeadPair.read(str(pair)) == pair


@pytest.mark.parametrize("leads", [("S+", "S+"), ("S+", "red")])
def test_a_pair_of_one_lead_or_of_an_unknown_one_is_refused(leads: tuple[str, str]) -> None:
    with pytest.raises(ValueError, match=r".+"):
        LeadPair.of(*leads)


def test_four_wires_have_six_pairs_and_six_wires_fifteen() -> None:
    bridge = [Lead.EX_PLUS, Lead.EX_MINUS, Lead.S_PLUS, Lead.S_MINUS]
    assert set(FOUR_WIRE_PAIRS) == {LeadPair.of(*two) for two in combinations(bridge, 2)}
    six = [*bridge, Lead.SE_PLUS, Lead.SE_MINUS]
    assert set(SIX_WIRE_PAIRS) == {LeadPair.of(*two) for two in combinations(six, 2)}
    assert len(lead_pairs(4)) == 6
    assert len(lead_pairs(6)) == 15
    with pytest.raises(ValueError, match="4 or 6"):
        lead_pairs(5)


@pytest.mark.parametrize("pairs", [FOUR_WIRE_PAIRS, SIX_WIRE_PAIRS])
def test_one_clip_moves_from_each_pair_to_the_next(pairs: tuple[LeadPair, ...]) -> None:
    for before, after in pairwise(pairs):
        assert len({before.one, before.other} & {after.one, after.other}) == 1
