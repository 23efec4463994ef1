"""An instrument's raw socket on a free loopback port."""

from __future__ import annotations

import selectors
import socket
import struct
from collections.abc import Callable
from contextlib import suppress

from simulated_bench.events import Events
from simulated_bench.wire import Device, Wire


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


def _receive(client: socket.socket) -> bytes | None:
    """Return arrived bytes, b'' when the client has gone, None when there is nothing."""
    try:
        return client.recv(65536)
    except BlockingIOError:
        return None
    except OSError:
        return b""
