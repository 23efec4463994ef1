"""Which relays make a connection, what a person must clip beside them, and what relays add.

Pure: nothing is switched here. A relay adds a contact resistance and an EMF to what goes through
it, and an open one leaks. The figures are limits; the relays in the way are named in the reading.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations

from acq.bench.connections import Connection, Join
from acq.bench.relay_file import Connections, Relay, Reversal

RELAYS = "relays"
CONTACT = "relay_contact_ohms"
EMF = "relay_emf_volts"
LEAK = "relay_leak_siemens"


@dataclass(frozen=True, slots=True)
class Way:
    """How a connection is made: channels to close, joins that are left to a person."""

    channels: frozenset[int]
    by_hand: frozenset[Join]


class RelayWays:
    """The ways of one bench's relays."""

    def __init__(self, connections: Connections) -> None:
        self._connections = connections
        self._relays: Mapping[Join, Relay] = {relay.join: relay for relay in connections.relay}
        self._known: dict[frozenset[Join], Way] = {}

    def way(self, connection: Connection) -> Way:
        """Return the way that leaves the least to a person, with the fewest reversals.

        Of an exclusive group one channel is closed; the joins of the others are clipped.
        """
        if (known := self._known.get(connection.joins)) is not None:
            return known
        ways = [
            way
            for count in range(len(self._connections.reversal) + 1)
            for reversals in combinations(self._connections.reversal, count)
            if (way := self._by(reversals, connection.joins)) is not None
        ]
        best = min(ways, key=lambda way: len(way.by_hand))  # first of equals: fewest reversals
        self._known[connection.joins] = best
        return best

    def _by(self, reversals: tuple[Reversal, ...], joins: frozenset[Join]) -> Way | None:
        """Return the way with these reversals closed; None where that is impossible."""
        closed = {each.channel for each in reversals}
        by_hand: set[Join] = set()
        for join in sorted(joins, key=str):
            relay = self._relays.get(_exchanged(join, reversals))
            if relay is None or self._excluded(relay.channel, closed):
                by_hand.add(join)
            else:
                closed.add(relay.channel)
        exchanged = {join for join in joins if _exchanged(join, reversals) != join}
        if len(reversals) > 0 and (not exchanged or by_hand & exchanged):
            return None  # a clip on an exchanged terminal would be on the other one
        if any(self._excluded(each.channel, closed - {each.channel}) for each in reversals):
            return None
        return Way(frozenset(closed), frozenset(by_hand))

    def _excluded(self, channel: int, closed: set[int]) -> bool:
        return any(
            channel in group and closed & (set(group) - {channel})
            for group in self._connections.exclusive
        )

    # --- what they add

    def added(self, quantity: str, role: str, connection: Connection) -> dict[str, float | str]:
        """Return what the relays in the way may add to a reading, as settings of the reading.

        EMF of the volts of a meter, V; contacts of two-wire ohms, ohm; leakage past an insulation
        test, S. All are limits; nothing for what they do not touch.
        """
        used = sorted(self._used(role, connection), key=lambda relay: relay.channel)
        if quantity == "insulation-resistance":
            leak = self._leak(connection)
            return {LEAK: leak} if leak else {}
        key = {"dc-voltage": EMF, "resistance-2-wire": CONTACT}.get(quantity)
        if key is None or not used or role == "insulation":
            return {}
        values = [self._connections.values(relay) for relay in used]
        if key == EMF:
            total = math.hypot(*(each.emf_volts for each in values))  # of unlike signs
        else:
            total = sum(each.contact_ohms for each in values)
        named = ",".join(str(relay.channel) for relay in used)
        return {RELAYS: named, key: total} if total else {}

    def _used(self, role: str, connection: Connection) -> Iterator[Relay]:
        """Yield the relays of the two terminals of `role` that the volts come in by."""
        channels = self.way(connection).channels
        terminals = (f"{role} HI", f"{role} LO")
        joins = {join for join in connection.joins if join.terminal in terminals}
        for relay in self._relays.values():
            at = relay.terminal in terminals and any(
                (relay.lead, relay.position) == (join.lead, join.position) for join in joins
            )
            if at and relay.channel in channels:
                yield relay

    def _leak(self, connection: Connection) -> float:
        """Return what the open relays may conduct from one side of the test to the other, S.

        Through an open relay from the tester's one terminal to a lead of the other side, and
        through two in a row by way of an instrument that is joined to nothing.
        """
        sides = [
            {(join.lead, join.position) for join in connection.joins if join.terminal == terminal}
            for terminal in ("insulation +", "insulation -")
        ]
        total = 0.0
        for terminal in sorted({relay.terminal for relay in self._relays.values()}):
            plus, minus = (self._open(terminal, leads, connection) for leads in sides)
            if terminal == "insulation +":
                total += minus
            elif terminal == "insulation -":
                total += plus
            elif terminal != "insulation guard" and plus and minus:
                total += plus * minus / (plus + minus)
        return total

    def _open(self, terminal: str, leads: Iterable[object], connection: Connection) -> float:
        """Return the conductance of the open relays from a terminal to these leads, S.

        A lead is named with its fixture.
        """
        siemens = 0.0
        for relay in self._relays.values():
            at = relay.terminal == terminal and (relay.lead, relay.position) in leads
            if not at or relay.join in connection.joins:
                continue
            isolation = self._connections.values(relay).isolation_ohms
            if isolation is not None:
                siemens += 1.0 / isolation
        return siemens


def _exchanged(join: Join, reversals: tuple[Reversal, ...]) -> Join:
    terminal = join.terminal
    for reversal in reversals:
        terminal = reversal.other(terminal)
    return join._replace(terminal=terminal)
