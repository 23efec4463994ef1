"""What is common to the instruments' links, whether sockets or serial lines.

Bytes that arrive are kept until the control port says that they are obeyed (a led bench) or
obeyed at once (wall time). Everything sent is counted per connection, so that a stepped client
reads exactly up to the count.
"""

from __future__ import annotations

import selectors
from collections import deque
from collections.abc import Callable
from typing import Protocol

from simulated_bench.events import Events
from simulated_bench.wire_faults import Faults, Piece, WireFault

NEWEST_LINES = 8
BACKLOG = 4096


class Device(Protocol):
    """What stands at the end of a wire."""

    def obey(self, data: bytes) -> None:
        """Take in bytes at the present bench time."""

    def connected(self) -> None:
        """A new connection: forget what belonged to the old one."""

    def restart(self) -> None:
        """Mains off and on: settings of power-up, nothing pending."""


class Wire:
    """One instrument's link; `TcpWire` and `PtyWire` say how bytes get through."""

    def __init__(self, name: str, device: Device, events: Events, selector: selectors.BaseSelector):
        self.name = name
        self.device = device
        self.events = events
        self.selector = selector
        self.sent = 0
        self.lost = False
        self.plugged = True
        self.faults = Faults()
        self.raw = bytearray()
        self.on_input: Callable[[Wire], None] = lambda _wire: None
        self._out = bytearray()
        self._stream: deque[bytes] = deque(maxlen=NEWEST_LINES)
        self._epoch = 0

    @property
    def resource(self) -> str:
        """The VISA resource name that a bench file carries."""
        raise NotImplementedError

    def linked(self) -> bool:
        """Tell whether bytes sent now would reach somebody."""
        raise NotImplementedError

    def opened(self, port: int | None) -> bool:
        """Make this connection the accepted one, counters at zero; False: not there yet."""
        raise NotImplementedError

    def flush(self) -> None:
        """Hand over what the operating system takes now."""
        raise NotImplementedError

    def end_link(self, *, abruptly: bool) -> None:
        """Close the connection from the instrument's side."""
        raise NotImplementedError

    def unplug(self) -> None:
        """Close the link and refuse new ones."""
        raise NotImplementedError

    def plug(self) -> None:
        """Offer the link again at the same address."""
        raise NotImplementedError

    def close(self) -> None:
        """Release everything."""
        raise NotImplementedError

    def obey(self, count: int) -> None:
        """Let the device obey the next `count` arrived bytes; a fault may strike among them."""
        data = bytes(self.raw[:count])
        del self.raw[:count]
        self._put(self.faults.echo(data))
        fault = self.faults.take_in(len(data))
        if fault is not None and fault.received is not None:
            self.device.obey(data[: fault.received])
            self.strike(fault)
            return
        self.device.obey(data)

    def arm(self, fault: WireFault) -> None:
        """Arm a fault; one with a time strikes then even when nothing is sent."""
        self.faults.arm(fault)
        if fault.at_ns is not None:
            self.events.at(fault.at_ns, self._strike_by_time)

    def send(self, data: bytes) -> None:
        """Send one whole reply, through the armed faults."""
        for piece in self.faults.send(data, self.events.now):
            if piece.after_ns:
                self.events.after(piece.after_ns, self._later(piece))
            else:
                self._deliver(piece)

    def stream(self, line: bytes) -> None:
        """Send a line that nobody asked for: only the newest of one advance are kept."""
        if len(self._out) < BACKLOG:
            self._stream.append(line)

    def streaming(self) -> bool:
        """Tell whether unasked lines wait for the end of the advance."""
        return bool(self._stream) and self.linked()

    def settle(self) -> None:
        """End of an advance: let the newest unasked lines go and hand everything over."""
        waiting = list(self._stream)
        self._stream.clear()
        if self.linked():
            for line in waiting:
                self.send(line)
        self.flush()

    def strike(self, fault: WireFault) -> None:
        """Let a fault end the link now."""
        match fault.kind:
            case "closed":
                self.end_link(abruptly=False)
            case "reset":
                self.end_link(abruptly=True)
            case "restarted":
                self.restart(fault.for_ns or 0)
            case "unplugged":
                self.unplug()
                if fault.for_ns is not None:
                    self.events.after(fault.for_ns, self.plug)

    def restart(self, dark_ns: int = 0) -> None:
        """Mains off, and on again after `dark_ns`; the connection does not survive it."""
        self.end_link(abruptly=True)
        self.raw.clear()
        self.device.restart()
        if dark_ns:
            self.unplug()
            self.events.after(dark_ns, self.plug)

    def _begin(self) -> None:
        """A fresh connection: counters at zero, nothing of the old one left."""
        self.sent = 0
        self.lost = False
        self._out.clear()
        self._stream.clear()
        self._epoch += 1
        self.device.connected()
        self._put(self.faults.greeting())

    def _later(self, piece: Piece) -> Callable[[], None]:
        epoch = self._epoch

        def deliver() -> None:
            if epoch == self._epoch:
                self._deliver(piece)

        return deliver

    def _deliver(self, piece: Piece) -> None:
        self._put(piece.data)
        if piece.end is not None:
            self.strike(piece.end)

    def _put(self, data: bytes) -> None:
        if data and self.linked():
            self._out += data
            self.sent += len(data)

    def _strike_by_time(self) -> None:
        while (fault := self.faults.struck_at(self.events.now)) is not None:
            self.strike(fault)
