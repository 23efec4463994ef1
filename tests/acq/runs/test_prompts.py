"""How clips are told: a move as a move, an exchange where the leads leave the instrument."""

from __future__ import annotations

from collections.abc import Iterable

import pytest

from acq.analysis.leads import Lead, LeadPair
from acq.bench.connections import (
    Connection,
    Join,
    Polarity,
    at_position,
    excitation,
    excitation_at_outputs,
    insulation,
    ohms,
    ohms_joined,
    together,
    volts,
)
from acq.runs.prompts import chosen, clip_prompt


def told(before: Connection | None, after: Connection) -> str:
    """Return the text for a change of joins."""
    present: frozenset[Join] = frozenset() if before is None else before.joins
    off, on = present - after.joins, after.joins - present
    return clip_prompt(sorted(off), sorted(on), "").text


def row(side: Polarity, positions: Iterable[int]) -> Connection:
    return together((at_position(excitation_at_outputs(side), p) for p in positions), "row")


INPUT, UPPER = ohms(LeadPair.read("Ex+ Ex-")), ohms(LeadPair.read("Ex+ S+"))


@pytest.mark.parametrize(
    ("before", "after", "text"),
    [
        (None, INPUT, "Clip: dmm HI and dmm sense HI to Ex+; dmm LO and dmm sense LO to Ex-."),
        (INPUT, UPPER, "Move dmm LO and dmm sense LO from Ex- to S+."),
        (
            excitation(6),
            excitation(6, Polarity.REVERSED),
            "Exchange, at the instrument, supply + and supply -;"
            " supply sense + and supply sense -.",
        ),
        (
            row(Polarity.NORMAL, (1, 2, 3)),
            row(Polarity.REVERSED, (1, 2, 3)),
            "Exchange, at the instrument, supply + and supply -.",
        ),
        (
            None,
            row(Polarity.NORMAL, (1, 2)),
            "Clip: supply + to Ex+ at each of positions 1 and 2;"
            " supply - to Ex- at each of positions 1 and 2.",
        ),
        (
            INPUT,
            at_position(INPUT, 2),
            "Move dmm HI, dmm LO, dmm sense HI and dmm sense LO from position 1"
            " to the same leads at position 2.",
        ),
        (
            volts(Lead.SE_PLUS, Lead.SE_MINUS),
            volts(Lead.S_PLUS, Lead.S_MINUS),
            "Move dmm HI from Se+ to S+. Move dmm LO from Se- to S-.",
        ),
        (  # what only one of them leaves or takes is no exchange
            ohms_joined((Lead.EX_PLUS,), (Lead.HOUSING,)),
            insulation((Lead.EX_PLUS,), (Lead.HOUSING,)),
            "Take off: dmm HI and dmm sense HI from Ex+; dmm LO and dmm sense LO from housing."
            " Clip: insulation + to Ex+; insulation - to housing.",
        ),
        (
            UPPER,
            insulation((Lead.EX_PLUS, Lead.S_PLUS), (Lead.HOUSING,)),
            "Take off: dmm HI and dmm sense HI from Ex+; dmm LO and dmm sense LO from S+."
            " Clip: insulation + to Ex+ and S+; insulation - to housing.",
        ),
    ],
)
def test_clips_are_told_as_hands_move_them(
    before: Connection | None, after: Connection, text: str
) -> None:
    assert told(before, after) == text


@pytest.mark.parametrize(
    ("typed", "choices", "answer"),
    [
        ("", ("done",), "done"),
        ("done", ("done",), "done"),
        ("d", ("done",), "done"),
        ("Yes", ("done",), "done"),
        ("ok", ("done",), "done"),
        ("no", ("done",), None),
        ("50 V", ("done",), None),
        ("", ("yes", "no"), "yes"),
        ("n", ("yes", "no"), "no"),
        ("ok", ("yes", "no"), None),
        ("as", ("as it is", "as found"), None),
    ],
)
def test_a_choice_is_typed_begun_or_agreed_to_and_nothing_else(
    typed: str, choices: tuple[str, ...], answer: str | None
) -> None:
    assert chosen(typed, choices) == answer
