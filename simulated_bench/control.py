"""The control port: who moves bench time, and the hands of a person. JSON lines over TCP.

One leader moves stepped time by `advance`; without one the bench lives on wall time. Every
other connection may use its hands (`hand`) or end the process (`end`).
"""

from __future__ import annotations

import json
import math
import selectors
import socket
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Protocol

from simulated_bench.events import NS, Events
from simulated_bench.wires import TcpWire, Wire

PATIENCE_S = 5.0
"""How long, in wall time, announced bytes or a connection may take to arrive."""

LARGEST = 10**18
"""Some thirty years in nanoseconds."""

Json = dict[str, object]


class OrderError(ValueError):
    """An order that cannot be obeyed; one line for the person who gave it."""


class Hands(Protocol):
    """What a person can do at the bench; raises OrderError."""

    def do(self, what: str, order: Mapping[str, object]) -> Json:
        """Do it and return what there is to say."""


@dataclass(eq=False)
class Peer:
    """One connection to the control port."""

    link: socket.socket
    held: bytes = b""
    orders: list[Json | OrderError] = field(default_factory=list)
    deadline: float = 0.0
    goal: int | None = None
    paced_from: tuple[float, int] = (0.0, 0)


class Control:
    """Serves the control port and, through one selector, everything else."""

    def __init__(
        self,
        events: Events,
        wires: Mapping[str, Wire],
        hands: Hands,
        selector: selectors.BaseSelector,
        about: Mapping[str, object],
        *,
        linger_s: float = 600.0,
        pace: float | None = None,
        patience_s: float = PATIENCE_S,
    ) -> None:
        self.events = events
        self.wires = wires
        self.hands = hands
        self.selector = selector
        self.about = dict(about)
        self.linger_s = linger_s
        self.pace = pace
        self.patience_s = patience_s
        self.leader: Peer | None = None
        self.ended = False
        self._peers: list[Peer] = []
        self._alone_since = time.monotonic()
        self._anchor = (time.monotonic_ns(), events.now)
        self._asleep = True  # time begins with the first touch, so that a led run starts at 0
        for wire in wires.values():
            wire.on_input = self._input
        self._server = socket.create_server(("127.0.0.1", 0), backlog=16)
        self._server.setblocking(False)
        selector.register(self._server, selectors.EVENT_READ, self._accept)

    @property
    def address(self) -> str:
        """Host and port of the control port."""
        host, port = self._server.getsockname()[:2]
        return f"{host}:{port}"

    def serve(self) -> None:
        """Serve until told to end, or until nobody has led for the linger time."""
        while not self.ended:
            for key, mask in self.selector.select(self._patience()):
                key.data(mask)
            self._work()

    def close(self) -> None:
        """Close the port and every connection to it."""
        for peer in list(self._peers):
            self._drop(peer)
        self.selector.unregister(self._server)
        self._server.close()

    def _patience(self) -> float:
        if self.leader is None:
            due = self.events.next_at()
            quiet = self.linger_s - (time.monotonic() - self._alone_since)
            wait = (
                quiet if due is None or self._asleep else min(quiet, (due - self._wall_now()) / NS)
            )
            return max(0.0, min(wait, 1.0))
        busy = any(peer.orders for peer in self._peers)
        if not busy:
            return 1.0
        return 0.01 if self.leader.goal is not None else 0.05

    def _work(self) -> None:
        if self.leader is None:
            self._live_on_wall_time()
        for peer in list(self._peers):
            while peer.orders and peer in self._peers and self._try(peer):
                pass
        if self.leader is None and time.monotonic() - self._alone_since > self.linger_s:
            self.ended = True

    def _wake(self) -> None:
        if self._asleep:
            self._asleep = False
            self._anchor = (time.monotonic_ns(), self.events.now)

    def _wall_now(self) -> int:
        if self._asleep:
            return self.events.now
        wall, bench = self._anchor
        return bench + time.monotonic_ns() - wall

    def _live_on_wall_time(self) -> None:
        self.events.run(self._wall_now())
        self._settle()

    def _settle(self) -> None:
        for wire in self.wires.values():
            wire.settle()

    def _input(self, wire: Wire) -> None:
        if self.leader is None:
            self._wake()
            self.events.run(self._wall_now())
            wire.obey(len(wire.raw))
            wire.settle()

    def _accept(self, _mask: int) -> None:
        link, _ = self._server.accept()
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        peer = Peer(link)
        self._peers.append(peer)
        self.selector.register(link, selectors.EVENT_READ, lambda _m: self._read(peer))

    def _read(self, peer: Peer) -> None:
        try:
            data = peer.link.recv(65536)
        except OSError:
            data = b""
        if not data:
            self._drop(peer)
            return
        *lines, peer.held = (peer.held + data).split(b"\n")
        for line in lines:
            self._take(peer, line)

    def _take(self, peer: Peer, line: bytes) -> None:
        if not peer.orders:
            peer.deadline = time.monotonic() + self.patience_s
        try:
            peer.orders.append(_read_order(line))
        except OrderError as error:
            peer.orders.append(error)

    def _drop(self, peer: Peer) -> None:
        self._peers.remove(peer)
        self.selector.unregister(peer.link)
        peer.link.close()
        if peer is self.leader:
            self.leader = None
            self._unlead()

    def _unlead(self) -> None:
        self._alone_since = time.monotonic()
        self._asleep = False
        self._anchor = (time.monotonic_ns(), self.events.now)
        for wire in self.wires.values():
            if isinstance(wire, TcpWire):
                wire.led = False
            if wire.raw:
                self._input(wire)
            if isinstance(wire, TcpWire):
                wire.take_next()

    def _try(self, peer: Peer) -> bool:
        """Carry out the peer's first order; False when it has to wait for something.

        Whatever an order asks for, the bench goes on: a mistake of its own is told like one of
        the person's.
        """
        order = peer.orders[0]
        try:
            answer = self._obey(peer, order)
        except OrderError as error:
            answer = {"error": " ".join(str(error).split())}
            peer.goal = None
        except Exception as error:  # noqa: BLE001
            said = f"a mistake of the simulated bench: {type(error).__name__}: {error}"
            answer = {"error": " ".join(said.split())}
            peer.goal = None
        if answer is None:
            return False
        peer.orders.pop(0)
        peer.deadline = time.monotonic() + self.patience_s
        self._answer(peer, answer)
        return True

    def _obey(self, peer: Peer, order: Json | OrderError) -> Json | None:
        if isinstance(order, OrderError):
            raise order
        match order.get("op"):
            case "lead":
                return self._lead(peer)
            case "advance":
                self._must_lead(peer)
                return self._advance(peer, order)
            case "opened":
                self._must_lead(peer)
                return self._opened(peer, order)
            case "hand":
                return self._hand(order)
            case "end":
                self.ended = True
                return {"t": self.events.now}
        raise OrderError(f"op: lead, advance, opened, hand or end, got {order.get('op')!r}")

    def _must_lead(self, peer: Peer) -> None:
        if peer is not self.leader:
            raise OrderError("only the leader moves time: say lead first")

    def _lead(self, peer: Peer) -> Json:
        if self.leader is not None and peer is not self.leader:
            raise OrderError("the bench is led by another connection")
        if self.leader is None:
            self._live_on_wall_time()
            self.leader = peer
            for wire in self.wires.values():
                if isinstance(wire, TcpWire):
                    wire.led = True
        return {**self._state(), **self.about}

    def _state(self) -> Json:
        due = self.events.next_at()
        return {
            "t": self.events.now,
            "quiet": due is None or due > self.events.now,
            "sent": {name: wire.sent for name, wire in self.wires.items()},
            "lost": [name for name, wire in self.wires.items() if wire.lost],
        }

    def _hand(self, order: Json) -> Json:
        what = order.get("do")
        if not isinstance(what, str):
            raise OrderError("do: says what the hand does")
        if self.leader is None:
            self._live_on_wall_time()  # hands alone do not start time: prepared, then led from 0
        said = self.hands.do(what, order)
        self._settle()
        return {"t": self.events.now, **said}

    def _opened(self, peer: Peer, order: Json) -> Json | None:
        wire = self._wire(order.get("wire"))
        port = order.get("port")
        if port is not None and not isinstance(port, int):
            raise OrderError(f"port: a local TCP port or null, got {port!r}")
        if wire.opened(port):
            self._settle()
            return self._state()
        if not wire.plugged:
            return self._state()
        if time.monotonic() > peer.deadline:
            raise OrderError(f"{wire.name}: no connection from port {port}, or another holds it")
        return None

    def _advance(self, peer: Peer, order: Json) -> Json | None:
        if peer.goal is None:
            if not self._arrived(order):
                if time.monotonic() > peer.deadline:
                    raise OrderError("bytes that were announced have not arrived")
                return None
            for wire, count in self._ordered(order):
                if not wire.lost:
                    wire.obey(count)
            peer.goal = self.events.now + _whole(order, "by", "nanoseconds")
            peer.paced_from = (time.monotonic(), self.events.now)
            if not order.get("until") and self.pace is None:
                self.events.nobody_until = peer.goal
        stop = self._stop(order)
        if not stop():
            self.events.run(self._paced(peer, peer.goal), stop)
        if self.events.now < peer.goal and not stop():
            self._settle()
            return None
        peer.goal = None
        self._settle()
        return self._state()

    def _paced(self, peer: Peer, goal: int) -> int:
        if self.pace is None:
            return goal
        wall, bench = peer.paced_from
        return min(goal, bench + int((time.monotonic() - wall) * self.pace * NS))

    def _stop(self, order: Json) -> Callable[[], bool]:
        until = order.get("until") or []
        have = order.get("have") or {}
        if not isinstance(until, list) or not isinstance(have, dict):
            raise OrderError("until is a list of wires, have an object of byte counts")
        watched = [(self._wire(name), _whole(have, name, "bytes", 0)) for name in until]
        return lambda: any(w.lost or w.sent > n or w.streaming() for w, n in watched)

    def _ordered(self, order: Json) -> list[tuple[Wire, int]]:
        entries = order.get("order") or []
        if not isinstance(entries, list):
            raise OrderError("order: a list of [wire, bytes] is needed")
        found = []
        for entry in entries:
            match entry:
                case [str(name), int(count)] if count >= 0:
                    found.append((self._wire(name), count))
                case _:
                    raise OrderError(f"order: [wire, bytes] is needed, got {entry!r}")
        return found

    def _arrived(self, order: Json) -> bool:
        wanted: dict[str, int] = {}
        for wire, count in self._ordered(order):
            wanted[wire.name] = wanted.get(wire.name, 0) + count
        return all(
            len(self.wires[name].raw) >= count or self.wires[name].lost
            for name, count in wanted.items()
        )

    def _wire(self, name: object) -> Wire:
        wire = self.wires.get(name) if isinstance(name, str) else None
        if wire is None:
            raise OrderError(f"there is no wire {name!r}; there are {', '.join(self.wires)}")
        return wire

    def _answer(self, peer: Peer, answer: Json) -> None:
        with suppress(OSError):
            peer.link.sendall(json.dumps(answer).encode() + b"\n")


def _read_order(line: bytes) -> Json:
    """Return one line as an order; its numbers are finite ones, once and for all."""
    try:
        order = json.loads(line)
    except (ValueError, RecursionError):
        order = None
    if not isinstance(order, dict):
        raise OrderError("an order is one JSON object a line")
    for key, value in order.items():
        _check_numbers(key, value)
    return order


def _check_numbers(key: str, value: object) -> None:
    """Raise OrderError for NaN, 1e400 and whole numbers that no clock or meter has."""
    if isinstance(value, dict):
        for inner, each in value.items():
            _check_numbers(f"{key}.{inner}", each)
    elif isinstance(value, list):
        for each in value:
            _check_numbers(key, each)
    elif isinstance(value, float) and not math.isfinite(value):
        raise OrderError(f"{key}: a finite number is needed, got {value!r}")
    elif isinstance(value, int) and abs(value) > LARGEST:
        raise OrderError(f"{key}: a whole number up to {LARGEST:.0e} is needed")


def _whole(order: Json, key: str, unit: str, absent: int | None = None) -> int:
    value = order.get(key, absent)
    if not isinstance(value, int) or isinstance(value, bool) or value < 0:
        raise OrderError(f"{key}: whole {unit} of at least 0 are needed, got {value!r}")
    return value
