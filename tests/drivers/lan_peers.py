"""Peers that speak the two LAN instrument protocols, as far as a client's read, write and clear go.

HiSLIP by the public specification IVI-6.1 (message types and header), VXI-11 on the RPC classes
of pyvisa-py with the core channel's procedure numbers (VXI-11.1, table B.1).
"""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
from collections.abc import Iterator
from typing import Any

from pyvisa_py.protocols import rpc, vxi11

from tests.drivers.peers import Peer

_HEADER = struct.Struct("!2sBBIQ")
_INITIALIZE, _DATA, _DATA_END, _CLEAR_COMPLETE = 0, 6, 7, 8
_MAXIMUM, _ASYNC_INITIALIZE, _ASYNC_CLEAR = 15, 17, 19


def _message(kind: int, control: int = 0, parameter: int = 0, data: bytes = b"") -> bytes:
    return _HEADER.pack(b"HS", kind, control, parameter, len(data)) + data


@contextlib.contextmanager
def on_hislip(peer: Peer) -> Iterator[Peer]:
    """Serve `peer` as a HiSLIP instrument on a loopback port."""
    with _threaded(_serve_hislip, peer) as port:
        peer.resource = f"TCPIP0::127.0.0.1::hislip0,{port}::INSTR"
        yield peer


@contextlib.contextmanager
def on_vxi11(peer: Peer) -> Iterator[Peer]:
    """Serve `peer` as a VXI-11 instrument on a loopback port, without a port mapper."""
    with _threaded(_serve_vxi11, peer) as port:
        peer.resource = f"TCPIP0::127.0.0.1,{port}::inst0::INSTR"
        yield peer


@contextlib.contextmanager
def _threaded(serve: Any, peer: Peer) -> Iterator[int]:
    server = socket.create_server(("127.0.0.1", 0))
    server.settimeout(0.05)
    stop = threading.Event()
    threads: list[threading.Thread] = []
    open_now: list[socket.socket] = []

    def accept() -> None:
        while not stop.is_set():
            try:
                link, _ = server.accept()
            except TimeoutError:
                continue
            link.settimeout(None)
            link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            open_now.append(link)
            threads.append(threading.Thread(target=serve, args=(link, peer), daemon=True))
            threads[-1].start()

    accepting = threading.Thread(target=accept, daemon=True)
    accepting.start()
    try:
        yield server.getsockname()[1]
    finally:
        stop.set()
        accepting.join(5.0)
        for link in open_now:
            with contextlib.suppress(OSError):
                link.shutdown(socket.SHUT_RDWR)
        for thread in threads:
            thread.join(5.0)
        for link in open_now:
            link.close()
        server.close()


def _exactly(link: socket.socket, count: int) -> bytes:
    data = b""
    while len(data) < count:
        part = link.recv(count - len(data))
        if not part:
            raise ConnectionError
        data += part
    return data


def _serve_hislip(link: socket.socket, peer: Peer) -> None:
    pending = b""
    with contextlib.suppress(OSError):
        while True:
            _, kind, _, parameter, count = _HEADER.unpack(_exactly(link, _HEADER.size))
            data = _exactly(link, count)
            if kind == _INITIALIZE:
                peer.connections += 1
                link.sendall(_message(1, 0, (0x0100 << 16) | 1))
            elif kind == _ASYNC_INITIALIZE:
                link.sendall(_message(18, 0, 0x7878))
            elif kind == _MAXIMUM:
                link.sendall(_message(16, data=struct.pack("!Q", 1 << 20)))
            elif kind == _ASYNC_CLEAR:
                link.sendall(_message(23))
            elif kind == _CLEAR_COMPLETE:
                pending = b""
                link.sendall(_message(9))
            elif kind in (_DATA, _DATA_END):
                pending += data
                if kind == _DATA_END:
                    reply: list[bytes] = []
                    peer.answer(pending.rstrip(b"\r\n"), reply.append)
                    pending = b""
                    if reply:
                        link.sendall(_message(_DATA_END, 0, parameter, b"".join(reply)))


class _Unpacker(vxi11.Vxi11Unpacker):  # type: ignore[misc]
    def create(self) -> Any:
        return self.unpack_int(), self.unpack_bool(), self.unpack_uint(), self.unpack_string()

    def write(self) -> bytes:
        for _ in range(4):
            self.unpack_int()
        return bytes(self.unpack_opaque())

    def read(self) -> tuple[int, int]:
        self.unpack_int()
        wanted, timeout_ms = int(self.unpack_uint()), int(self.unpack_uint())
        for _ in range(3):
            self.unpack_int()
        return wanted, timeout_ms

    def rest(self) -> None:
        for _ in range(4):
            self.unpack_int()


class _CoreChannel(rpc.TCPServer):  # type: ignore[misc]
    """One connection; procedure numbers: 10 create, 11 write, 12 read, 15 clear, 23 destroy."""

    def __init__(self, peer: Peer) -> None:
        self.prog, self.vers = vxi11.DEVICE_CORE_PROG, vxi11.DEVICE_CORE_VERS
        self.addpackers()
        self._peer = peer
        self._out = b""
        self._spoken = threading.Condition()
        self.thinking: list[threading.Thread] = []

    def addpackers(self) -> None:
        self.packer = vxi11.Vxi11Packer()
        self.unpacker = _Unpacker(b"")

    def handle_10(self) -> None:
        self.unpacker.create()
        self._peer.connections += 1
        self.turn_around()
        for number in (0, 1):
            self.packer.pack_int(number)
        for number in (0, 1 << 20):
            self.packer.pack_uint(number)

    def handle_11(self) -> None:
        data = self.unpacker.write()
        self.turn_around()
        line = data.rstrip(b"\r\n")
        self.thinking.append(threading.Thread(target=self._peer.answer, args=(line, self._say)))
        self.thinking[-1].start()
        self.packer.pack_int(0)
        self.packer.pack_uint(len(data))

    def _say(self, data: bytes) -> None:
        with self._spoken:
            self._out += data
            self._spoken.notify()

    def handle_12(self) -> None:
        wanted, timeout_ms = self.unpacker.read()
        self.turn_around()
        with self._spoken:
            self._spoken.wait_for(lambda: self._out, timeout_ms / 1000.0)
            data, self._out = self._out[:wanted], self._out[wanted:]
        timed_out, end = 15, 4
        self.packer.pack_int(0 if data else timed_out)
        self.packer.pack_int(0 if self._out or not data else end)
        self.packer.pack_opaque(data)

    def handle_15(self) -> None:
        self.unpacker.rest()
        self.turn_around()
        self._out = b""
        self.packer.pack_int(0)

    def handle_23(self) -> None:
        self.unpacker.unpack_int()
        self.turn_around()
        self.packer.pack_int(0)


def _serve_vxi11(link: socket.socket, peer: Peer) -> None:
    channel = _CoreChannel(peer)
    with contextlib.suppress(OSError):
        while True:
            # RFC 5531, 11: a record is one or more fragments; the clients here send one
            (mark,) = struct.unpack("!I", _exactly(link, 4))
            reply = channel.handle(_exactly(link, mark & 0x7FFFFFFF))
            link.sendall(struct.pack("!I", 0x80000000 | len(reply)) + reply)
    for thread in channel.thinking:
        thread.join()
