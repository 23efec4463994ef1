"""Which instrument terminals are joined to which leads for each kind of measurement.

Pure: nothing is switched here. A scanner or a person makes the joins, see `routing`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum
from typing import NamedTuple

from acq.analysis.leads import Lead, LeadPair


class PlantTerminal(str):
    """A terminal of a plant, such as `transmitter Ex+`: clipped to as a lead is."""

    __slots__ = ()

    @property
    def value(self) -> str:
        """The name, as a lead has one."""
        return str(self)


class Join(NamedTuple):
    """One instrument terminal on one lead of the cell in one fixture, counted from 1."""

    terminal: str
    lead: Lead | PlantTerminal
    position: int = 1

    @property
    def role(self) -> str:
        """The instrument that the terminal belongs to."""
        return self.terminal.rsplit(" ", 1)[0].removesuffix(" sense")


class Polarity(Enum):
    """Which way round the excitation is on the bridge."""

    NORMAL = "normal"
    REVERSED = "reversed"

    @property
    def sign(self) -> float:
        return 1.0 if self is Polarity.NORMAL else -1.0


@dataclass(frozen=True, slots=True)
class Connection:
    """A named set of joins. Two connections add up with `|`."""

    name: str
    joins: frozenset[Join]

    def __or__(self, other: Connection) -> Connection:
        return Connection(f"{self.name}, {other.name}", self.joins | other.joins)

    @property
    def roles(self) -> frozenset[str]:
        return frozenset(join.role for join in self.joins)


NOTHING = Connection("nothing connected", frozenset())


def at_position(connection: Connection, position: int) -> Connection:
    """Return a connection with the cell in another fixture; its name tells which."""
    joins = frozenset(join._replace(position=position) for join in connection.joins)
    return Connection(f"{connection.name} at position {position}", joins)


def together(connections: Iterable[Connection], name: str) -> Connection:
    """Return what joins all of them at once, under a name of its own."""
    return Connection(name, frozenset(join for each in connections for join in each.joins))


def ohms(pair: LeadPair, polarity: Polarity = Polarity.NORMAL) -> Connection:
    """Four-wire ohms on one pair: current and sense leads of the meter meet at the lead.

    Reversed, the meter's HI is on the pair's other lead.
    """
    high, low = pair.one, pair.other
    if polarity is Polarity.REVERSED:
        high, low = low, high
    return _connection(
        f"ohms {pair}" if polarity is Polarity.NORMAL else f"ohms {pair} {polarity.value}",
        ("dmm HI", high),
        ("dmm LO", low),
        ("dmm sense HI", high),
        ("dmm sense LO", low),
    )


def kelvin() -> Connection:
    """Four-wire ohms with the current through the Ex leads and the volts from the Se leads."""
    return _connection(
        "ohms Ex+ Ex-, sensed at Se+ Se-",
        ("dmm HI", Lead.EX_PLUS),
        ("dmm LO", Lead.EX_MINUS),
        ("dmm sense HI", Lead.SE_PLUS),
        ("dmm sense LO", Lead.SE_MINUS),
    )


def ohms_joined(joined: Iterable[Lead], against: Iterable[Lead]) -> Connection:
    """Two-terminal ohms from all `joined` leads to all `against`: before a test voltage."""
    joined, against = tuple(joined), tuple(against)
    what = "leads" if len(joined) > 1 else joined[0]
    return _connection(
        f"ohms {what} to {' and '.join(against)}",
        *((terminal, lead) for terminal in ("dmm HI", "dmm sense HI") for lead in joined),
        *((terminal, lead) for terminal in ("dmm LO", "dmm sense LO") for lead in against),
    )


def volts(plus: Lead, minus: Lead, role: str = "dmm") -> Connection:
    """The volts input of a meter from `plus` to `minus`."""
    name = f"volts {plus} {minus}" if role == "dmm" else f"{role} volts {plus} {minus}"
    return _connection(name, (f"{role} HI", plus), (f"{role} LO", minus))


def excitation(wires: int, polarity: Polarity = Polarity.NORMAL) -> Connection:
    """Supply on the excitation leads; its sense leads on the cell's, with a 4-wire cell on Ex.

    Reversed, each sense lead goes with its excitation lead: crossed sense would run away.
    """
    plus, minus = Lead.EX_PLUS, Lead.EX_MINUS
    sense_plus, sense_minus = (Lead.SE_PLUS, Lead.SE_MINUS) if wires == 6 else (plus, minus)
    if polarity is Polarity.REVERSED:
        plus, minus, sense_plus, sense_minus = minus, plus, sense_minus, sense_plus
    return _connection(
        f"excitation {polarity.value}",
        ("supply +", plus),
        ("supply -", minus),
        ("supply sense +", sense_plus),
        ("supply sense -", sense_minus),
    )


def excitation_at_outputs(polarity: Polarity = Polarity.NORMAL) -> Connection:
    """Supply on the excitation leads, sensing at its own outputs: for several cells at once.

    Sense leads at one cell would regulate for that cell, and fail all others with it.
    """
    plus, minus = Lead.EX_PLUS, Lead.EX_MINUS
    if polarity is Polarity.REVERSED:
        plus, minus = minus, plus
    return _connection(f"excitation {polarity.value}", ("supply +", plus), ("supply -", minus))


def insulation(
    joined: Iterable[Lead], against: Iterable[Lead], guard: Iterable[Lead] = ()
) -> Connection:
    """The tester from all `joined` leads to all `against`, with a guard where one is wanted."""
    joined, against, guard = tuple(joined), tuple(against), tuple(guard)
    against_name = " and ".join(against)
    what = "leads" if len(joined) > 1 else joined[0]
    guarded = f", {' and '.join(guard)} on guard" if guard else ""
    return _connection(
        f"insulation {what} to {against_name}{guarded}",
        *(("insulation +", lead) for lead in joined),
        *(("insulation -", lead) for lead in against),
        *(("insulation guard", lead) for lead in guard),
    )


def bridge_leads(wires: int) -> tuple[Lead, ...]:
    """The leads that end in the bridge: what is joined for an insulation test."""
    sense = (Lead.SE_PLUS, Lead.SE_MINUS) if wires == 6 else ()
    return (Lead.EX_PLUS, Lead.EX_MINUS, *sense, Lead.S_PLUS, Lead.S_MINUS)


def _connection(name: str, *joins: tuple[str, Lead]) -> Connection:
    return Connection(name, frozenset(Join(terminal, lead) for terminal, lead in joins))
