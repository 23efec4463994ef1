"""The instruments' links: loopback TCP ports and pseudo-terminals, one selector, no threads.

Bytes that arrive are kept until the control port says that they are obeyed (a led bench) or
obeyed at once (wall time). Everything sent is counted per connection, so that a stepped client
reads exactly up to the count. Linux only: pty, termios.
"""

from __future__ import annotations

import errno
import os
import pty
import selectors
import socket
import struct
import termios
import tty
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Protocol

from simulated_bench.events import Events, nanoseconds
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


class TcpWire(Wire):
    """A raw socket on a free loopback port; one client is heard at a time."""

    def __init__(
        self, name: str, device: Device, events: Events, selector: selectors.BaseSelector
    ) -> None:
        super().__init__(name, device, events, selector)
        self._server: socket.socket | None = None
        self._client: socket.socket | None = None
        self._waiting: list[socket.socket] = []
        self._early: dict[socket.socket, bytearray] = {}
        self.port = 0
        self.led = False
        self.plug()

    @property
    def resource(self) -> str:
        return f"TCPIP0::127.0.0.1::{self.port}::SOCKET"

    def linked(self) -> bool:
        return self._client is not None and not self.lost

    def plug(self) -> None:
        if self._server is not None:
            return
        self._server = socket.create_server(("127.0.0.1", self.port), backlog=16)
        self._server.setblocking(False)
        self.port = self._server.getsockname()[1]
        self.plugged = True
        self.selector.register(self._server, selectors.EVENT_READ, self._accept)

    def unplug(self) -> None:
        self.end_link(abruptly=True)
        for client in list(self._waiting):
            self._drop(client)
        if self._server is not None:
            self.selector.unregister(self._server)
            self._server.close()
            self._server = None
        self.plugged = False
        self.lost = True

    def opened(self, port: int | None) -> bool:
        found = next((c for c in self._waiting if c.getpeername()[1] == port), None)
        if found is None or (self._client is not None and not self.lost):
            return False
        if self.raw:
            self.obey(len(self.raw))
        self._promote(found)
        return True

    def end_link(self, *, abruptly: bool) -> None:
        if self._client is None:
            return
        self.flush()
        client, self._client = self._client, None
        self.lost = True
        self._out.clear()
        self._epoch += 1
        self._drop(client, abruptly=abruptly)

    def flush(self) -> None:
        if self._client is None or not self._out:
            return
        try:
            while self._out:
                del self._out[: self._client.send(self._out)]
        except BlockingIOError:
            self.selector.modify(
                self._client, selectors.EVENT_READ | selectors.EVENT_WRITE, self._ready
            )
            return
        except OSError:
            self._gone()

    def close(self) -> None:
        self.unplug()

    def take_next(self) -> None:
        """On wall time the next client is heard as soon as the one before has gone."""
        if self._client is None and self._waiting:
            if self.raw:
                self.obey(len(self.raw))
            self._promote(self._waiting[0])
            self.flush()
            if self.raw:
                self.on_input(self)

    def _promote(self, client: socket.socket) -> None:
        self._waiting.remove(client)
        self._client = client
        self.raw = self._early.pop(client, bytearray())
        self._begin()

    def _accept(self, _mask: int) -> None:
        if self._server is None:
            return
        try:
            client, _ = self._server.accept()
        except OSError:
            return
        client.setblocking(False)
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._waiting.append(client)
        self._early[client] = bytearray()
        self.selector.register(client, selectors.EVENT_READ, self._early_input(client))
        if not self.led:
            self.take_next()

    def _early_input(self, client: socket.socket) -> Callable[[int], None]:
        def read(mask: int) -> None:
            if client is self._client:
                self._ready(mask)
                return
            data = _receive(client)
            if data:
                self._early[client] += data
            elif data is not None:
                self._drop(client)

        return read

    def _ready(self, mask: int) -> None:
        if self._client is None:
            return
        if mask & selectors.EVENT_WRITE:
            self.selector.modify(self._client, selectors.EVENT_READ, self._ready)
            self.flush()
        if mask & selectors.EVENT_READ and self._client is not None:
            data = _receive(self._client)
            if data:
                self.raw += data
                self.on_input(self)
            elif data is not None:
                self._gone()

    def _gone(self) -> None:
        """The client hung up: bytes that it sent before stay to be obeyed."""
        if self._client is not None:
            client, self._client = self._client, None
            self._out.clear()
            self._epoch += 1
            self._drop(client)
        if not self.led:
            self.take_next()

    def _drop(self, client: socket.socket, *, abruptly: bool = False) -> None:
        if client in self._waiting:
            self._waiting.remove(client)
        self._early.pop(client, None)
        with suppress(KeyError, ValueError):
            self.selector.unregister(client)
        if abruptly:  # a linger time of zero makes the close a reset
            with suppress(OSError):
                client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        client.close()


class PtyWire(Wire):
    """A serial line: a pseudo-terminal behind a link of a stable name."""

    def __init__(
        self,
        name: str,
        device: Device,
        events: Events,
        selector: selectors.BaseSelector,
        folder: Path,
    ) -> None:
        super().__init__(name, device, events, selector)
        self.path = folder / name
        self._master = self._slave = -1
        self.plug()

    @property
    def resource(self) -> str:
        return f"ASRL{self.path}::INSTR"

    def linked(self) -> bool:
        return self._master >= 0

    def plug(self) -> None:
        if self._master >= 0:
            return
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.path.unlink(missing_ok=True)
        self.path.symlink_to(os.ttyname(self._slave))
        self.plugged = True
        self.lost = False
        self.selector.register(self._master, selectors.EVENT_READ, self._ready)
        self._put(self.faults.greeting())

    def unplug(self) -> None:
        if self._master < 0:
            return
        self.flush()
        self.selector.unregister(self._master)
        os.close(self._master)
        os.close(self._slave)
        self._master = self._slave = -1
        self.path.unlink(missing_ok=True)
        self._out.clear()
        self._epoch += 1
        self.plugged = False
        self.lost = True

    def end_link(self, *, abruptly: bool) -> None:
        """A serial line knows no connection: only the instrument falls silent."""
        del abruptly
        self._out.clear()
        self._epoch += 1

    def strike(self, fault: WireFault) -> None:
        """On a serial line a closed or reset link is an adapter that vanishes and comes back."""
        if fault.kind in ("closed", "reset"):
            self.unplug()
            self.events.after(fault.for_ns or nanoseconds(2.0), self.plug)
        else:
            super().strike(fault)

    def opened(self, port: int | None) -> bool:
        del port
        if self._master < 0:
            return False
        while self._read():
            pass
        self.raw.clear()
        termios.tcflush(self._slave, termios.TCIFLUSH)
        self._begin()
        return True

    def flush(self) -> None:
        if self._master < 0 or not self._out:
            return
        try:
            while self._out:
                del self._out[: os.write(self._master, self._out)]
        except BlockingIOError:
            both = selectors.EVENT_READ | selectors.EVENT_WRITE
            self.selector.modify(self._master, both, self._ready)

    def close(self) -> None:
        self.unplug()

    def _ready(self, mask: int) -> None:
        if mask & selectors.EVENT_WRITE:
            self.selector.modify(self._master, selectors.EVENT_READ, self._ready)
            self.flush()
        if mask & selectors.EVENT_READ:
            data = self._read()
            if data:
                self.raw += data
                self.on_input(self)

    def _read(self) -> bytes:
        try:
            return os.read(self._master, 65536)
        except BlockingIOError:
            return b""
        except OSError as error:
            if error.errno == errno.EIO:  # nobody has the line open
                return b""
            raise


def _receive(client: socket.socket) -> bytes | None:
    """Return arrived bytes, b'' when the client has gone, None when there is nothing."""
    try:
        return client.recv(65536)
    except BlockingIOError:
        return None
    except OSError:
        return b""
