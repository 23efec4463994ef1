"""The leads of a cell, pairs of them, and the pairs that are measured on 4-wire and 6-wire cells.

A pair has no direction: `LeadPair.of("S+", "Ex+") == LeadPair.of("Ex+", "S+")`; it is kept in the
order of `Lead`, so that `str(pair)` is the same text everywhere.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum


class Lead(StrEnum):
    """A conductor that leaves the cell; the housing counts as one. Order: that of the trade."""

    EX_PLUS = "Ex+"
    EX_MINUS = "Ex-"
    SE_PLUS = "Se+"
    SE_MINUS = "Se-"
    S_PLUS = "S+"
    S_MINUS = "S-"
    SHIELD = "shield"
    HOUSING = "housing"


ARMS: Mapping[str, tuple[Lead, Lead]] = {
    "A": (Lead.EX_PLUS, Lead.S_PLUS),
    "B": (Lead.EX_PLUS, Lead.S_MINUS),
    "C": (Lead.EX_MINUS, Lead.S_PLUS),
    "D": (Lead.EX_MINUS, Lead.S_MINUS),
}
"""The arms of a bridge by the leads between which they lie."""
LEAD_ORDER = {lead: place for place, lead in enumerate(Lead)}


@dataclass(frozen=True, slots=True)
class LeadPair:
    """Two different leads without direction. Make one with `LeadPair.of`."""

    one: Lead
    other: Lead

    def __post_init__(self) -> None:
        if LEAD_ORDER[self.one] >= LEAD_ORDER[self.other]:
            raise ValueError(f"{self.one} {self.other}: use LeadPair.of, with two different leads")

    @classmethod
    def of(cls, one: Lead | str, other: Lead | str) -> LeadPair:
        """Return the pair of two leads, whichever comes first. Raises ValueError when there is
        no such lead or both are the same.
        """
        first, second = sorted((Lead(one), Lead(other)), key=LEAD_ORDER.__getitem__)
        return cls(first, second)

    @classmethod
    def read(cls, text: str) -> LeadPair:
        """Return the pair that `str` of it gave, for instance `Ex+ S-`."""
        one, _, other = text.partition(" ")
        return cls.of(one, other)

    def __str__(self) -> str:
        return f"{self.one} {self.other}"

    def __contains__(self, lead: object) -> bool:
        return lead in (self.one, self.other)


def _pairs(*texts: str) -> tuple[LeadPair, ...]:
    return tuple(LeadPair.read(text) for text in texts)


INPUT = LeadPair.of(Lead.EX_PLUS, Lead.EX_MINUS)
OUTPUT = LeadPair.of(Lead.S_PLUS, Lead.S_MINUS)
ADJACENT_PAIRS = _pairs("Ex+ S+", "Ex- S+", "Ex- S-", "Ex+ S-")
SENSE_LOOPS = _pairs("Ex+ Se+", "Ex- Se-")

# In an order in which one clip moves from each pair to the next: six pairs are five moves.
FOUR_WIRE_PAIRS = (INPUT, *ADJACENT_PAIRS, OUTPUT)
SIX_WIRE_PAIRS = (
    *FOUR_WIRE_PAIRS,
    *_pairs("Se+ S-", "Se+ S+", "Se- S+", "Se- S-", "Ex- Se-"),
    *_pairs("Ex+ Se-", "Se+ Se-", "Ex- Se+", "Ex+ Se+"),
)


def lead_pairs(wires: int) -> tuple[LeadPair, ...]:
    """Return the pairs of one bridge's leads: 6 for a 4-wire cell, 15 for a 6-wire cell."""
    if wires not in (4, 6):
        raise ValueError(f"a bridge has 4 or 6 wires, not {wires}")
    return FOUR_WIRE_PAIRS if wires == 4 else SIX_WIRE_PAIRS
