"""Bench time that only the driver moves, over real sockets and pseudo terminals, with faults.

One thread. Implements the clock that drivers obey: bytes that were sent are read from the real
port and obeyed, replies are events at a bench time, and are written to the real port when that
time has come. So hours of timeouts cost milliseconds, and every case is the same each time.
"""

from __future__ import annotations

import contextlib
import heapq
import os
import select
import socket
import struct
import tty
from collections.abc import Callable
from dataclasses import dataclass, field

from tests.drivers.peers import Obey

_ARRIVE_S = 5.0
NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Fault:
    """What goes wrong with the `reply`-th reply (or received line) since the start.

    `place` is a byte in it, `seconds` a delay. Kinds: see `spoil` and `garble`.
    """

    kind: str
    reply: int
    place: int = 0
    seconds: float = 0.0


@dataclass
class Wire:
    """One instrument's end of one link."""

    obey: Obey
    line_end: bytes
    reply_end: bytes
    latency_s: float = 0.01
    fault: Fault | None = None
    power_cycle: Callable[[], None] = lambda: None
    port: int = -1
    server: socket.socket | None = None
    link: socket.socket | None = None
    sent: int = 0
    lost: bool = False
    pending: bytes = b""
    last: bytes = b""
    replies: int = 0
    lines: int = 0
    lengths: list[int] = field(default_factory=list)
    received: list[str] = field(default_factory=list)


class SteppedWires:
    """The clock, and everything that is connected to it."""

    def __init__(self) -> None:
        self._t = 0
        self._events: list[tuple[int, int, Callable[[], None]]] = []
        self._count = 0
        self._order: list[tuple[str, int]] = []
        self._wires: dict[str, Wire] = {}
        self._open: list[int] = []

    # connecting

    def on_tcp(self, name: str, wire: Wire) -> str:
        """Serve a wire on a loopback port; return its resource."""
        wire.server = socket.create_server(("127.0.0.1", 0))
        self._wires[name] = wire
        return f"TCPIP0::127.0.0.1::{wire.server.getsockname()[1]}::SOCKET"

    def on_pty(self, name: str, wire: Wire) -> str:
        """Serve a wire on a pseudo terminal; return its resource."""
        wire.port, slave = os.openpty()
        tty.setraw(slave)
        self._open += [wire.port, slave]
        self._wires[name] = wire
        return f"ASRL{os.ttyname(slave)}::INSTR"

    def close(self) -> None:
        for wire in self._wires.values():
            for end in (wire.link, wire.server):
                if end is not None:
                    end.close()
        for handle in self._open:
            os.close(handle)

    # the clock that drivers obey

    def now_ns(self) -> int:
        return self._t

    def wait(self, seconds: float) -> None:
        self._obey()
        self._run(self._t + round(seconds * NS), lambda: False)

    def opened(self, wire: str, local_port: int | None) -> None:
        self._obey()
        end = self._wires[wire]
        end.sent, end.pending, end.lost = 0, b"", False
        self._order = [(name, count) for name, count in self._order if name != wire]
        if end.server is not None:
            self._accept(end, local_port)
        else:
            with contextlib.suppress(BlockingIOError):
                while select.select([end.port], [], [], 0)[0] and os.read(end.port, 65536):
                    pass

    def sent(self, wire: str, count: int) -> None:
        self._order.append((wire, count))

    def arrived(self, wire: str, have: int, deadline_ns: int) -> int | None:
        end = self._wires[wire]
        self._obey()
        if end.sent <= have and not end.lost:
            self._run(max(self._t, deadline_ns), lambda: end.sent > have or end.lost)
        if end.sent > have:
            return end.sent
        if end.lost:
            raise ConnectionError(f"{wire}: closed by the instrument")
        raise TimeoutError(wire)

    # events

    def at(self, seconds: float, action: Callable[[], None]) -> None:
        """Do something `seconds` from now."""
        self._count += 1
        heapq.heappush(self._events, (self._t + round(seconds * NS), self._count, action))

    def every(self, seconds: float, action: Callable[[], None]) -> None:
        """Do something again and again."""

        def again() -> None:
            action()
            self.at(seconds, again)

        self.at(seconds, again)

    def _run(self, until_ns: int, stop: Callable[[], bool]) -> None:
        while self._events and self._events[0][0] <= until_ns:
            self._t, _, action = heapq.heappop(self._events)
            action()
            if stop():
                return
        self._t = max(self._t, until_ns)

    def _obey(self) -> None:
        order, self._order = self._order, []
        for name, count in order:
            wire = self._wires[name]
            wire.pending += self._received(wire, count)
            while wire.line_end in wire.pending:
                line, _, wire.pending = wire.pending.partition(wire.line_end)
                self._line(wire, line)

    def _received(self, wire: Wire, count: int) -> bytes:
        data = b""
        while len(data) < count:
            part = b""
            if wire.server is None:
                if select.select([wire.port], [], [], _ARRIVE_S)[0]:
                    part = os.read(wire.port, count - len(data))
            elif wire.link is not None:
                wire.link.settimeout(_ARRIVE_S)
                with contextlib.suppress(OSError):
                    part = wire.link.recv(count - len(data))
            if not part:
                return b""  # the link went away with these bytes on it
            data += part
        return data

    def _line(self, wire: Wire, line: bytes) -> None:
        number, wire.lines = wire.lines, wire.lines + 1
        fault = wire.fault
        if fault is not None and fault.kind.startswith("command") and fault.reply == number:
            line = garble(fault, line)
        wire.received.append(line.decode("latin-1").strip("\r\n"))
        answer = wire.obey(wire.received[-1])
        if answer is None:
            return
        data = answer if isinstance(answer, bytes) else answer.encode("latin-1")
        self.emit(wire, data + wire.reply_end)

    def emit(self, wire: Wire, data: bytes, after_s: float | None = None) -> None:
        """Send one whole reply or line, spoilt when its turn has come."""
        number, wire.replies = wire.replies, wire.replies + 1
        wire.lengths.append(len(data))
        start = wire.latency_s if after_s is None else after_s
        fault = wire.fault
        pieces: list[tuple[float, bytes | str]] = [(0.0, data)]
        if fault is not None and fault.reply == number:
            pieces = spoil(fault, data, wire.last, wire.reply_end)
        wire.last = data
        for delay, piece in pieces:
            self.at(start + delay, self._sender(wire, piece))

    def _sender(self, wire: Wire, piece: bytes | str) -> Callable[[], None]:
        return lambda: self._end(wire, piece) if isinstance(piece, str) else self._send(wire, piece)

    def _send(self, wire: Wire, data: bytes) -> None:
        if wire.lost or not data:
            return
        if wire.server is None:
            os.write(wire.port, data)
        elif wire.link is not None:
            with contextlib.suppress(OSError):
                wire.link.sendall(data)
        wire.sent += len(data)

    def _end(self, wire: Wire, how: str) -> None:
        if how == "power":
            wire.power_cycle()
        if wire.server is None or wire.link is None:
            return  # a serial line shows nothing
        if how == "reset":
            wire.link.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        wire.link.close()
        wire.link, wire.lost = None, True

    def _accept(self, wire: Wire, local_port: int | None) -> None:
        assert wire.server is not None
        wire.server.settimeout(_ARRIVE_S)
        while True:
            link, (_, port) = wire.server.accept()
            if wire.link is not None:
                wire.link.close()
            wire.link = link
            if port == local_port:
                link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                return


def spoil(fault: Fault, data: bytes, last: bytes, end: bytes) -> list[tuple[float, bytes | str]]:
    """Return what is sent instead of a reply: (seconds later, bytes or how the link ends)."""
    place = min(fault.place, len(data) - 1)
    head, tail = data[:place], data[place:]
    match fault.kind:
        case "late":
            return [(fault.seconds, data)]
        case "silent":
            return []
        case "half":
            return [(0.0, head)]
        case "split":
            return [(0.0, head), (fault.seconds, tail)]
        case "twice":
            return [(0.0, data), (fault.seconds, data)]
        case "stale":
            return [(0.0, last or data)]
        case "one behind":
            return [(0.0, last or data), (fault.seconds, data)]
        case "extra line":
            return [(0.0, data), (fault.seconds, b"+1.00000000E+00" + end)]
        case "closed":
            return [(0.0, head), (0.0, "close")]
        case "reset":
            return [(0.0, head), (0.0, "reset")]
        case "power cycle":
            return [(0.0, head), (0.0, "power")]
        case "power cycle after":
            return [(0.0, data), (0.001, "power")]
        case "lost byte":
            return [(0.0, head + tail[1:])]
        case "wrong bit":
            return [(0.0, head + bytes([tail[0] ^ 1]) + tail[1:])]
        case "wrong bits":
            return [(0.0, head + bytes([tail[0] ^ 0x41]) + tail[1:])]
        case "noise byte":
            return [(0.0, head + b"\xb5" + tail)]
        case "doubled byte":
            return [(0.0, head + tail[:1] + tail)]
        case "break":
            return [(0.0, head + b"\x00" + tail)]
        case "flow control byte":
            return [(0.0, head + b"\x13\x11" + tail)]
    return [(0.0, data)]


def garble(fault: Fault, line: bytes) -> bytes:
    """Return what the instrument hears instead of a command."""
    if not line:
        return line
    place = min(fault.place, len(line) - 1)
    head, tail = line[:place], line[place:]
    match fault.kind:
        case "command: lost byte":
            return head + tail[1:]
        case "command: wrong bit":
            return head + bytes([tail[0] ^ 1]) + tail[1:]
        case "command: lost":
            return b""
    return line
