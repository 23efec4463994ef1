"""A matrix scanner: crosspoints that join instrument terminals to leads."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from simulated_bench.events import Events
from simulated_bench.instruments.parameters import Channels
from simulated_bench.instruments.scpi_device import ScpiDevice, Taking

ACTUATION_NS = 12_000_000
"""Until a relay has moved and stopped bouncing."""


class Scanner(ScpiDevice):
    """`ROUTe` commands; `moved(channel, closed)` tells the bench about each relay."""

    def __init__(
        self,
        name: str,
        events: Events,
        identification: str,
        channels: Sequence[int],
        moved: Callable[[int, bool], None],
    ) -> None:
        self.channels = tuple(channels)
        self.closed: set[int] = set()
        self.stuck: set[int] = set()
        self._moved = moved
        super().__init__(name, events, identification)

    def commands(self) -> None:
        listed = Channels(self.channels)
        self.on("[ROUTe:]CLOSe", self._close, listed)
        self.on("[ROUTe:]CLOSe?", self._say_closed, listed)
        self.on("[ROUTe:]CLOSe:EXCLusive", self._close_only, listed)
        self.on("[ROUTe:]CLOSe:STATe?", self._say_state)
        self.on("[ROUTe:]OPEN", self._open, listed)
        self.on("[ROUTe:]OPEN?", self._say_open, listed)
        self.on("[ROUTe:]OPEN:ALL", lambda: self._open(tuple(sorted(self.closed))))

    def reset(self) -> None:
        for channel in sorted(self.closed):
            self._move(channel, closed=False)

    def display(self) -> str:
        return " ".join(str(channel) for channel in sorted(self.closed)) or "ALL OPEN"

    def _close(self, channels: tuple[int, ...]) -> Taking:
        yield from self._actuate([c for c in channels if c not in self.closed], closed=True)
        return None

    def _open(self, channels: tuple[int, ...]) -> Taking:
        yield from self._actuate([c for c in channels if c in self.closed], closed=False)
        return None

    def _close_only(self, channels: tuple[int, ...]) -> Taking:
        others = sorted(self.closed - set(channels))
        yield from self._actuate(others, closed=False)  # break before make
        yield from self._actuate([c for c in channels if c not in self.closed], closed=True)
        return None

    def _actuate(self, channels: Sequence[int], *, closed: bool) -> Taking:
        if channels:
            yield ACTUATION_NS
        for channel in channels:
            self._move(channel, closed=closed)
        return None

    def _move(self, channel: int, *, closed: bool) -> None:
        if closed:
            self.closed.add(channel)
        else:
            self.closed.discard(channel)
        if channel not in self.stuck:  # a stuck relay answers as if it had moved
            self._moved(channel, closed)

    def _say_state(self) -> str:
        return f"(@{','.join(str(channel) for channel in sorted(self.closed))})"

    def _say_closed(self, channels: tuple[int, ...]) -> str:
        return ",".join(str(int(c in self.closed)) for c in channels)

    def _say_open(self, channels: tuple[int, ...]) -> str:
        return ",".join(str(int(c not in self.closed)) for c in channels)
