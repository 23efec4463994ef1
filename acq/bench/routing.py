"""Makes the joins that a connection asks for: relays first, a person for what they cannot reach."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Protocol

from acq.bench.connections import NOTHING, Connection, Join
from acq.bench.hands import Hands
from acq.bench.relay_ways import RelayWays, Way
from acq.errors import BenchFailure


class RelayCard(Protocol):
    """What routing needs of a scanner."""

    def close_only(self, channels: Iterable[int]) -> None: ...
    def closed(self) -> frozenset[int]: ...


class Router:
    """Keeps what is joined to what, and changes it in a harmless order (off before on)."""

    def __init__(
        self,
        scanner: RelayCard | None,
        ways: RelayWays | None,
        hands: Hands,
        terminals: Sequence[str] = (),
    ) -> None:
        """`terminals` are all that a person could have clipped to something before this run."""
        self._scanner = scanner
        self._ways = ways if scanner is not None else None
        self._hands = hands
        self._terminals = terminals
        self._cleared = False
        self._clipped: frozenset[Join] = frozenset()
        self.live_volts: float | None = None  # on the leads, while a person moves clips
        self.present: Connection = NOTHING

    def reachable(self, connection: Connection) -> bool:
        """Whether relays alone can make this connection."""
        return not self._way(connection).by_hand

    def make(self, connection: Connection, seen: Callable[[], bool] | None = None) -> None:
        """Join exactly this and nothing else; read back what the relays say.

        `seen` tells that a person has moved the clips, where an instrument can see that.

        Raises BenchFailure when the relays are not where they were told to be.
        """
        if connection.joins == self.present.joins:
            self.present = connection
            return
        way = self._way(connection)
        by_hand = way.by_hand
        off, on = self._clipped - by_hand, by_hand - self._clipped
        if self._scanner is None:
            self._by_hand(off, on, seen)  # one prompt: no relay moves between the two
        else:
            self._by_hand(off, frozenset())
            self._switch(way.channels)
            self._by_hand(frozenset(), on)
        self.present = connection

    def _by_hand(
        self,
        off: frozenset[Join],
        on: frozenset[Join],
        seen: Callable[[], bool] | None = None,
    ) -> None:
        if on:
            self._clear()
        if off or on:
            self._hands.clip(off, on, self.live_volts, seen)
            self._clipped = (self._clipped - off) | on

    def _clear(self) -> None:
        """Before the first clip: what an earlier run has left clipped nobody else knows."""
        if not self._cleared:
            self._hands.clear(self._terminals)
            self._cleared = True

    def prove(self) -> None:
        """Ask the relays whether exactly the present connection stands.

        Raises BenchFailure when it does not: a sticking relay is a path that nobody expects.
        """
        if self._scanner is None:
            return
        wanted = self._way(self.present).channels
        closed = self._scanner.closed()
        if closed != wanted:
            raise BenchFailure(
                f"scanner: relays {_listed(closed)} are closed, {_listed(wanted)} should be;"
                " nothing was switched on"
            )

    def _way(self, connection: Connection) -> Way:
        if self._ways is None:
            return Way(frozenset(), connection.joins)
        return self._ways.way(connection)

    def _switch(self, channels: Iterable[int]) -> None:
        assert self._scanner is not None
        self._scanner.close_only(sorted(channels))


def _listed(channels: Iterable[int]) -> str:
    return ", ".join(str(channel) for channel in sorted(channels)) or "none"
