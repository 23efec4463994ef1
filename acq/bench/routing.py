"""Makes the joins that a connection asks for: relays first, a person for what they cannot reach."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Protocol

from acq.bench.connections import NOTHING, Connection, Join
from acq.errors import BenchFailure


class RelayCard(Protocol):
    """What routing needs of a scanner."""

    def close_only(self, channels: Iterable[int]) -> None: ...
    def closed(self) -> frozenset[int]: ...


Clip = Callable[[frozenset[Join], frozenset[Join]], None]
"""Has a person take clips off (first set), then put clips on (second set)."""


class Router:
    """Keeps what is joined to what, and changes it in a harmless order (off before on)."""

    def __init__(self, scanner: RelayCard | None, channels: Mapping[Join, int], clip: Clip) -> None:
        self._scanner = scanner
        self._channels = channels if scanner is not None else {}
        self._clip = clip
        self._clipped: frozenset[Join] = frozenset()
        self.present: Connection = NOTHING

    def reachable(self, connection: Connection) -> bool:
        """Whether relays alone can make this connection."""
        return all(join in self._channels for join in connection.joins)

    def make(self, connection: Connection) -> None:
        """Join exactly this and nothing else; read back what the relays say.

        Raises BenchFailure when the relays are not where they were told to be.
        """
        if connection.joins == self.present.joins:
            self.present = connection
            return
        by_relay = {join for join in connection.joins if join in self._channels}
        by_hand = connection.joins - by_relay
        if off := self._clipped - by_hand:
            self._clip(off, frozenset())
            self._clipped -= off
        self._switch(self._channels[join] for join in by_relay)
        if on := by_hand - self._clipped:
            self._clip(frozenset(), on)
            self._clipped |= on
        self.present = connection

    def prove(self) -> None:
        """Ask the relays whether exactly the present connection stands.

        Raises BenchFailure when it does not: a sticking relay is a path that nobody expects.
        """
        if self._scanner is None:
            return
        wanted = frozenset(
            self._channels[join] for join in self.present.joins if join in self._channels
        )
        closed = self._scanner.closed()
        if closed != wanted:
            raise BenchFailure(
                f"scanner: relays {_listed(closed)} are closed, {_listed(wanted)} should be;"
                " nothing was switched on"
            )

    def _switch(self, channels: Iterable[int]) -> None:
        if self._scanner is None:
            return
        self._scanner.close_only(sorted(channels))


def _listed(channels: Iterable[int]) -> str:
    return ", ".join(str(channel) for channel in sorted(channels)) or "none"
