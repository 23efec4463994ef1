"""Unknown colours in, ohms decide: which lead is which, with the evidence per lead.

Colours are not universal and are never used: only resistances are. They tell excitation from
signal, sense partners and screens; polarity never, that needs a load of known sign.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from acq.analysis.leads import Lead
from acq.analysis.wording import listed, ohms

PARTNER_SHARE = 0.05  # of the usual pair: below that two leads are partners of one terminal
PARTNER_OHMS = 15.0
OPEN_OHMS = 1e5
NOISE_OHMS = 0.05  # standard uncertainty of a reading where none is stated

Reading = tuple[str, str, float]
"""Two leads by any names, and ohm between them; inf is open."""


@dataclass(frozen=True, slots=True)
class LeadFound:
    """What one wire is. `lead` is one of two that ohms cannot tell apart where `either` is set."""

    wire: str
    lead: Lead | None
    either: tuple[Lead, ...]
    evidence: str
    needs_load: bool


@dataclass(frozen=True, slots=True)
class WiringMap:
    """All wires; what ohms leave open; exchanged pairs where the wires carried marks already."""

    wires: tuple[LeadFound, ...]
    open_questions: tuple[str, ...]
    exchanged: tuple[str, ...]

    def of(self, wire: str) -> LeadFound:
        """Return what a wire is. Raises KeyError for an unknown one."""
        for found in self.wires:
            if found.wire == wire:
                return found
        raise KeyError(wire)


def identify_leads(
    readings: Iterable[Reading],
    *,
    uncertainty: float = NOISE_OHMS,
    marked: Mapping[str, Lead] | None = None,
) -> WiringMap:
    """Return which wire is which from the resistances between all wires.

    `marked` are the leads that wires are marked as: exchanged ones are then named. Raises
    ValueError when the readings do not show one bridge with four terminals.
    """
    table = _Table.of(readings)
    screens = [w for w in table.wires if not table.touching(w)]
    groups = _terminals([w for w in table.wires if w not in screens], table)
    if len(groups) != 4:
        raise ValueError(
            f"a bridge has four terminals, the readings show {len(groups)}: "
            + "; ".join(listed(group) for group in groups)
        )
    opposite = _opposite(groups, table, uncertainty)
    excitation, signal, why, sure = _excitation(opposite, table, uncertainty)
    found = [*_bridge(excitation, signal, why, table, sure=sure), *_screens(screens, table)]
    return WiringMap(
        tuple(sorted(found, key=lambda x: table.wires.index(x.wire))),
        tuple(_open_questions(excitation, sure=sure, screens=screens)),
        (*_exchanged(found, marked or {}), *_crossed(groups, marked or {})),
    )


Group = tuple[str, ...]
Opposite = tuple[tuple[Group, Group], tuple[Group, Group]]


@dataclass(frozen=True, slots=True)
class _Table:
    wires: tuple[str, ...]
    ohms: dict[frozenset[str], float]

    @classmethod
    def of(cls, readings: Iterable[Reading]) -> _Table:
        known: dict[frozenset[str], list[float]] = {}
        wires: dict[str, None] = {}
        for one, other, value in readings:
            if one == other:
                raise ValueError(f"a reading from {one} to itself")
            wires |= {one: None, other: None}
            known.setdefault(frozenset((one, other)), []).append(value)
        if len(wires) < 4:
            raise ValueError(f"a bridge has at least four leads, the readings name {len(wires)}")
        mean = {pair: float(np.mean(values)) for pair, values in known.items()}
        missing = [p for p in combinations(wires, 2) if frozenset(p) not in mean]
        bridge = {w for p, v in mean.items() if v < OPEN_OHMS for w in p}
        for one, other in missing:
            if one in bridge and other in bridge:
                raise ValueError(f"the reading from {one} to {other} is missing")
        return cls(tuple(wires), mean)

    def between(self, one: str, other: str) -> float:
        return self.ohms.get(frozenset((one, other)), np.inf)

    def touching(self, wire: str) -> bool:
        """Whether a wire has a way to any other."""
        return any(self.between(wire, x) < OPEN_OHMS for x in self.wires if x != wire)

    def groups(self, one: Group, other: Group) -> float:
        """Return the mean resistance between the wires of two terminals."""
        return float(np.mean([self.between(a, b) for a in one for b in other]))


def _terminals(wires: Sequence[str], table: _Table) -> list[Group]:
    """Return the wires that end on one terminal together."""
    values = [table.between(a, b) for a, b in combinations(wires, 2)]
    finite = [v for v in values if v < OPEN_OHMS]
    limit = min(PARTNER_OHMS, PARTNER_SHARE * float(np.median(finite))) if finite else 0.0
    groups: list[list[str]] = []
    for wire in wires:
        for group in groups:
            if table.between(wire, group[0]) < limit:
                group.append(wire)
                break
        else:
            groups.append([wire])
    return [tuple(group) for group in groups]


def _opposite(groups: Sequence[Group], table: _Table, uncertainty: float) -> Opposite:
    """Return the two pairs of terminals that lie opposite each other: they read most."""
    a, b, c, d = groups
    ways: list[Opposite] = [((a, b), (c, d)), ((a, c), (b, d)), ((a, d), (b, c))]
    sums = [sum(table.groups(*pair) for pair in way) for way in ways]
    order = np.argsort(sums)[::-1]
    if sums[order[0]] - sums[order[1]] < 4.0 * uncertainty:
        raise ValueError(
            "no two pairs of terminals read clearly more than the others: this is no sound bridge"
        )
    return ways[int(order[0])]


def _excitation(
    opposite: Opposite, table: _Table, uncertainty: float
) -> tuple[tuple[Group, Group], tuple[Group, Group], str, bool]:
    """Return excitation pair, signal pair, the reason, and whether ohms decide it."""
    one, other = opposite
    partners = [any(len(group) > 1 for group in pair) for pair in opposite]
    if partners[0] != partners[1]:
        first, second = (one, other) if partners[0] else (other, one)
        return first, second, "sense leads end on the excitation terminals", True
    values = [_bare(pair, table) for pair in opposite]
    larger, smaller = (one, other) if values[0] >= values[1] else (other, one)
    apart = abs(values[0] - values[1])
    why = (
        f"of the two pairs without a common lead, {ohms(max(values))} is the larger: the "
        f"compensation lies in the excitation leads ({ohms(min(values))} for the signal pair)"
    )
    return larger, smaller, why, apart > 4.0 * uncertainty


def _bare(pair: tuple[Group, Group], table: _Table) -> float:
    return table.groups(*pair)


def _bridge(
    excitation: tuple[Group, Group],
    signal: tuple[Group, Group],
    why: str,
    table: _Table,
    *,
    sure: bool,
) -> list[LeadFound]:
    found = []
    names = {
        0: ((Lead.EX_PLUS, Lead.EX_MINUS), (Lead.SE_PLUS, Lead.SE_MINUS)),
        1: ((Lead.S_PLUS, Lead.S_MINUS), ()),
    }
    for kind, pair in enumerate((excitation, signal)):
        value = ohms(table.groups(*pair))
        for side, group in enumerate(pair):
            for place, wire in enumerate(group):
                main, sense = names[kind]
                lead = main[side] if place == 0 else (sense[side] if sense else main[side])
                either = (*main, *sense) if len(group) > 1 else main
                if not sure:
                    either = (*names[0][0], *names[1][0])
                text = f"{value} to the opposite terminal ({listed(pair[1 - side])}); {why}"
                if len(group) > 1:
                    partner = next(x for x in group if x != wire)
                    loop = ohms(table.between(wire, partner))
                    text = f"{loop} to its partner {partner}; {text}"
                found.append(LeadFound(wire, lead, either, text, True))
    return found


def _screens(screens: Sequence[str], table: _Table) -> list[LeadFound]:
    either = (Lead.SHIELD, Lead.HOUSING)
    others = len(table.wires) - 1
    return [
        LeadFound(
            wire,
            Lead.SHIELD if len(screens) == 1 else None,
            either,
            f"open to all {others} other wires",
            False,
        )
        for wire in screens
    ]


def _open_questions(
    excitation: tuple[Group, Group], *, sure: bool, screens: Sequence[str]
) -> list[str]:
    said = [
        "Which of a pair is + needs a load of known sign: ohms are the same both ways.",
    ]
    if any(len(group) > 1 for group in excitation):
        said.append(
            "Which of two partners is Ex and which Se does not show at the plug; with equal "
            "conductors it makes no difference."
        )
    if not sure:
        said.append(
            "Input and output resistance do not differ: without compensation ohms cannot tell the "
            "excitation pair from the signal pair."
        )
    if len(screens) > 1:
        said.append(
            f"{listed(list(screens))} are open to everything: shield, housing or a broken lead; "
            "look where they end."
        )
    return said


def _exchanged(found: Sequence[LeadFound], marked: Mapping[str, Lead]) -> list[str]:
    """Return what the marks on the wires contradict, polarity aside."""
    kinds = {
        Lead.EX_PLUS: "excitation",
        Lead.EX_MINUS: "excitation",
        Lead.SE_PLUS: "excitation",
        Lead.SE_MINUS: "excitation",
        Lead.S_PLUS: "signal",
        Lead.S_MINUS: "signal",
        Lead.SHIELD: "shield",
        Lead.HOUSING: "shield",
    }
    said = []
    for one in found:
        mark = marked.get(one.wire)
        if mark is None or one.lead is None or len({kinds[x] for x in one.either}) > 1:
            continue
        if kinds[mark] != kinds[one.lead]:
            said.append(
                f"{one.wire} is marked {mark}, but its ohms are those of a {kinds[one.lead]} lead"
            )
    return said


def _crossed(groups: Sequence[Group], marked: Mapping[str, Lead]) -> list[str]:
    """Return partners whose marks belong to different ends of the excitation."""
    said = []
    for group in groups:
        ends = {marked[wire][-1] for wire in group if wire in marked}
        if len(group) > 1 and len(ends) > 1:
            names = listed([f"{wire} ({marked[wire]})" for wire in group if wire in marked])
            said.append(f"{names} end on one terminal: sense leads are exchanged")
    return said
