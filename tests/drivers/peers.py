"""Instruments for tests: a table of words on a real TCP port or pseudo terminal, with bad manners.

Written from the instruments' side: a peer records every line that it received, so that a
wrong request is seen, and shares nothing with the drivers.
"""

from __future__ import annotations

import contextlib
import os
import selectors
import socket
import struct
import threading
import time
import tty
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field

Obey = Callable[[str], str | bytes | None]


def words(table: Mapping[str, str | bytes | None], otherwise: str | None = None) -> Obey:
    """Return an instrument that answers each line from a table; `otherwise` to all others."""
    return lambda line: table.get(line, otherwise)


@dataclass
class Manners:
    """What goes wrong on the wire, for the n-th reply counted from `at` (0 is the next one)."""

    delay_s: float = 0.0
    chunk: int = 0
    chunk_gap_s: float = 0.0
    at: int = 0
    times: int = 1 << 30
    cut_after: int | None = None
    then: str = "go on"  # or "close", "reset", "silent"
    before: bytes = b""
    after: bytes = b""
    again_after_s: float | None = None
    transform: Callable[[bytes], bytes] | None = None


@dataclass
class Peer:
    """One instrument: `obey` takes a line without its end and returns the reply without one."""

    obey: Obey
    line_end: bytes = b"\n"
    reply_end: bytes = b"\n"
    echo: bool = False
    greeting: bytes = b""
    manners: Manners = field(default_factory=Manners)
    received: list[str] = field(default_factory=list)
    connections: int = 0
    resource: str = ""
    push: Callable[[bytes], None] = lambda _data: None
    _replies: int = 0

    def answer(self, line: bytes, send: Callable[[bytes], None]) -> str:
        """Obey one line; return what the wire does then."""
        text = line.decode("latin-1").strip("\r\n")
        self.received.append(text)
        if self.echo:
            send(line + self.line_end)
        reply = self.obey(text)
        if reply is None:
            return "go on"
        data = reply if isinstance(reply, bytes) else reply.encode("latin-1")
        return self._misbehave(data + self.reply_end, send)

    def _misbehave(self, data: bytes, send: Callable[[bytes], None]) -> str:
        manners, number = self.manners, self._replies
        self._replies += 1
        if not manners.at <= number < manners.at + manners.times:
            send(data)
            return "go on"
        time.sleep(manners.delay_s)
        if manners.transform is not None:
            data = manners.transform(data)
        data = manners.before + data + manners.after
        cut = data if manners.cut_after is None else data[: manners.cut_after]
        step = manners.chunk or max(1, len(cut))
        for first in range(0, len(cut), step):
            if first:
                time.sleep(manners.chunk_gap_s)
            send(cut[first : first + step])
        if manners.again_after_s is not None:
            time.sleep(manners.again_after_s)
            send(data)
        return manners.then

    def behave(self, manners: Manners) -> None:
        """From the next reply on."""
        self.manners, self._replies = manners, 0


Serve = Callable[[Peer], contextlib.AbstractContextManager[Peer]]


@contextlib.contextmanager
def on_tcp(peer: Peer) -> Iterator[Peer]:
    """Serve `peer` on a loopback port, one connection after the other."""
    server = socket.create_server(("127.0.0.1", 0))
    stop = threading.Event()
    thread = threading.Thread(target=_serve_tcp, args=(server, peer, stop), daemon=True)
    peer.resource = f"TCPIP0::127.0.0.1::{server.getsockname()[1]}::SOCKET"
    thread.start()
    try:
        yield peer
    finally:
        stop.set()
        thread.join(5.0)
        server.close()


def _serve_tcp(server: socket.socket, peer: Peer, stop: threading.Event) -> None:
    selector = selectors.DefaultSelector()
    selector.register(server, selectors.EVENT_READ)
    connection: socket.socket | None = None
    pending = b""
    with selector:
        while not stop.is_set():
            for key, _ in selector.select(0.02):
                if key.fileobj is server:
                    if connection is not None:
                        selector.unregister(connection)
                        connection.close()
                    connection, _ = server.accept()
                    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                    peer.connections += 1
                    peer.push = _sender(connection)
                    pending = b""
                    selector.register(connection, selectors.EVENT_READ)
                    peer.push(peer.greeting)
                    continue
                assert connection is not None
                try:
                    data = connection.recv(65536)
                except OSError:
                    data = b""
                what = "close" if not data else "go on"
                pending += data
                while what == "go on" and peer.line_end in pending:
                    line, _, pending = pending.partition(peer.line_end)
                    what = peer.answer(line, peer.push)
                if what == "silent":
                    selector.unregister(connection)
                    while not stop.is_set() and not selector.select(0.02):
                        pass
                    selector.register(connection, selectors.EVENT_READ)
                elif what != "go on":
                    selector.unregister(connection)
                    if what == "reset":
                        linger = struct.pack("ii", 1, 0)
                        connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)
                    connection.close()
                    connection = None
        if connection is not None:
            connection.close()


def _sender(connection: socket.socket) -> Callable[[bytes], None]:
    def send(data: bytes) -> None:
        with contextlib.suppress(OSError):
            connection.sendall(data)

    return send


@contextlib.contextmanager
def on_pty(peer: Peer) -> Iterator[Peer]:
    """Serve `peer` on a pseudo terminal."""
    master, slave = os.openpty()
    tty.setraw(slave)
    stop = threading.Event()
    peer.resource = f"ASRL{os.ttyname(slave)}::INSTR"
    peer.push = lambda data: _write(master, data)
    thread = threading.Thread(target=_serve_pty, args=(master, peer, stop), daemon=True)
    thread.start()
    try:
        yield peer
    finally:
        stop.set()
        thread.join(5.0)
        for handle in (master, slave):
            with contextlib.suppress(OSError):
                os.close(handle)


def _write(master: int, data: bytes) -> None:
    while data:
        data = data[os.write(master, data) :]


def _serve_pty(master: int, peer: Peer, stop: threading.Event) -> None:
    selector = selectors.DefaultSelector()
    selector.register(master, selectors.EVENT_READ)
    pending = b""
    peer.push(peer.greeting)
    with selector:
        while not stop.is_set():
            if not selector.select(0.02):
                continue
            try:
                pending += os.read(master, 65536)
            except OSError:
                return
            while peer.line_end in pending:
                line, _, pending = pending.partition(peer.line_end)
                what = peer.answer(line, peer.push)
                if what == "close":
                    os.close(master)
                    return
