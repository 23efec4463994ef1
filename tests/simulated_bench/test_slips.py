"""Clumsy hands: as often wrong as the scenario says, the same for one seed, never by halves."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulated_bench.scenario import HandsTable, MistakeTable
from simulated_bench.slips import FACTORS, Slips

LEADS = ("Ex+", "Ex-", "S+", "S-", "shield", "housing")
MANY = 3000


def clumsy(seed: int = 1, *mistakes: MistakeTable, **shares: float) -> Slips:
    return Slips(seed, HandsTable(**shares), mistakes)


def test_clips_go_wrong_as_often_as_said_and_then_on_any_other_lead() -> None:
    hands = clumsy(wrong_clips=0.2)
    landed = [hands.clip("S+", LEADS) for _ in range(MANY)]
    wrong = [lead for lead in landed if lead != "S+"]
    # five standard deviations of a binomial share
    assert len(wrong) / MANY == pytest.approx(0.2, abs=5 * (0.2 * 0.8 / MANY) ** 0.5)
    assert set(wrong) == set(LEADS) - {"S+"}


def test_the_same_seed_slips_at_the_same_acts() -> None:
    first, again, other = (
        [hands.clip("S+", LEADS) for _ in range(200)]
        for hands in (
            clumsy(3, wrong_clips=0.3),
            clumsy(3, wrong_clips=0.3),
            clumsy(4, wrong_clips=0.3),
        )
    )
    assert first == again
    assert first != other


def test_a_wrong_load_is_another_weight_and_an_empty_hook_stays_empty() -> None:
    hands = clumsy(wrong_loads=1.0)
    assert {hands.load(100.0) for _ in range(200)} == {100.0 * factor for factor in FACTORS}
    assert hands.load(0.0) == 0.0


def test_steady_hands_do_what_was_asked() -> None:
    hands = clumsy()
    assert [hands.clip("S+", LEADS) for _ in range(50)] == ["S+"] * 50
    assert hands.load(5.0) is None
    assert hands.typed("385.12 Ohm") == "385.12 Ohm"


def test_a_named_mistake_stands_above_what_is_drawn() -> None:
    hands = clumsy(1, MistakeTable(clip=2, lead="Ex-"), MistakeTable(load=1, kilograms=55.0))
    assert [hands.clip("S+", LEADS) for _ in range(3)] == ["S+", "Ex-", "S+"]
    assert hands.load(50.0) == 55.0
    assert hands.load(50.0) is None


@given(st.text(alphabet="0123456789.- kMG", max_size=12), st.integers(0, 2**32))
def test_a_slip_of_the_keys_changes_the_places_of_two_unlike_digits(text: str, seed: int) -> None:
    typed = clumsy(seed, misread=1.0).typed(text)
    if re.search(r"(\d)(?!\1)\d", text) is None:
        assert typed == text
        return
    at = next(place for place in range(len(text)) if typed[place] != text[place])
    assert typed[at : at + 2] == text[at + 1] + text[at]
    assert typed[:at] + typed[at + 2 :] == text[:at] + text[at + 2 :]
