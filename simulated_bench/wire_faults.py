"""What goes wrong on a wire, on request: at a line, at a byte or at a time.

A fault is armed with a trigger and then spoils what the instrument sends. Nothing here knows
sockets: bytes in, `Piece`s out (what to send when, and whether the link dies).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal, get_args

from simulated_bench.events import nanoseconds
from simulated_bench.written import LONGEST_S

Kind = Literal[
    "late",
    "half",
    "split",
    "stale",
    "extra",
    "corrupted",
    "non-ascii",
    "silent",
    "closed",
    "reset",
    "restarted",
    "unplugged",
    "banner",
    "prompt",
    "echo",
]
LINK_ENDS: frozenset[str] = frozenset({"closed", "reset", "restarted", "unplugged"})
LASTING: frozenset[str] = frozenset({"banner", "prompt", "echo"})


ONLY: Mapping[str, tuple[str, ...]] = {
    "mask": ("corrupted",),
    "text": ("extra", "banner", "prompt"),
    "for": ("late", "split", *sorted(LINK_ENDS)),
}
"""Keys that only some kinds have."""


class FaultError(ValueError):
    """A wire fault that cannot be armed as written; the text names the key."""


@dataclass(frozen=True, slots=True)
class WireFault:
    """One armed fault.

    Trigger: the `line`-th line sent from now (1 = the next), the `byte`-th byte sent from now,
    the `received`-th byte taken in from now, or the bench time `at_ns`; none: the next line.
    `for_ns` is a delay (late, split) or how long the link stays dead (restarted, unplugged).
    `text` is what is added (extra, banner, prompt), `mask` flips bits (corrupted), `times`
    is how many lines are spoilt, 0 for all of them.
    """

    kind: Kind
    line: int | None = None
    byte: int | None = None
    received: int | None = None
    at_ns: int | None = None
    for_ns: int | None = None
    text: str = ""
    mask: int = 0x40
    times: int = 1


@dataclass(frozen=True, slots=True)
class Piece:
    """Bytes to send `after_ns` from now, or the end of the link at that moment."""

    data: bytes = b""
    after_ns: int = 0
    end: WireFault | None = None


def read_fault(order: Mapping[str, object]) -> WireFault:
    """Return the fault that a scenario or the control port describes, times in seconds.

    Raises FaultError with the key and what is allowed.
    """
    kind = order.get("kind")
    if kind not in get_args(Kind):
        raise FaultError(f"kind: allowed is one of {', '.join(get_args(Kind))}, got {kind!r}")
    allowed = {"kind", "line", "byte", "received", "time", "for", "text", "mask", "times"}
    for key in order:
        if key not in allowed:
            raise FaultError(f"{key}: no such key in a wire fault")
        if kind not in ONLY.get(key, (kind,)):
            raise FaultError(f"{key}: a wire fault of kind {kind} has no such key")
    if not isinstance(order.get("text", ""), str):
        raise FaultError(f"text: a text is needed, got {order['text']!r}")
    triggers = [key for key in ("line", "byte", "received", "time") if order.get(key) is not None]
    if len(triggers) > 1:
        raise FaultError(f"{triggers[1]}: a fault has one trigger, {triggers[0]} is given too")
    fault = WireFault(
        kind,  # type: ignore[arg-type]  # checked against the literal's own list above
        line=_count(order, "line"),
        byte=_count(order, "byte"),
        received=_count(order, "received"),
        at_ns=_seconds(order, "time"),
        for_ns=_seconds(order, "for"),
        text=str(order.get("text", "")),
    )
    if order.get("mask") is not None:
        fault = replace(fault, mask=_whole(order, "mask", 1, 255))
    if order.get("times") is not None:
        fault = replace(fault, times=_whole(order, "times", 0))
    return fault


def _whole(order: Mapping[str, object], key: str, least: int, most: int = 10**12) -> int:
    value = order[key]
    if not isinstance(value, int) or isinstance(value, bool) or not least <= value <= most:
        allowed = f"of at least {least}" if most > 1000 else f"from {least} to {most}"
        raise FaultError(f"{key}: a whole number {allowed} is needed, got {value!r}")
    return value


def _count(order: Mapping[str, object], key: str) -> int | None:
    return None if order.get(key) is None else _whole(order, key, 1)


def _seconds(order: Mapping[str, object], key: str) -> int | None:
    value = order.get(key)
    if value is None:
        return None
    if not isinstance(value, int | float) or isinstance(value, bool) or not 0 <= value <= LONGEST_S:
        raise FaultError(f"{key}: seconds from 0 to {LONGEST_S:g} are needed, got {value!r}")
    return nanoseconds(value)


class Faults:
    """The armed faults of one wire, applied to the lines that pass."""

    def __init__(self) -> None:
        self.armed: list[WireFault] = []
        self._last = b""

    def arm(self, fault: WireFault) -> None:
        """Arm a fault; its counts start now."""
        self.armed.append(fault)

    def clear(self) -> None:
        """Disarm everything."""
        self.armed.clear()

    def greeting(self) -> bytes:
        """Return what the instrument says when a connection opens or power comes on."""
        return b"".join(_line(f.text or "READY") for f in self.armed if f.kind == "banner")

    def echo(self, data: bytes) -> bytes:
        """Return what comes straight back of received bytes."""
        return data if any(f.kind == "echo" for f in self.armed) else b""

    def take_in(self, count: int) -> WireFault | None:
        """Count received bytes; return the fault that strikes among them, if any."""
        for place, fault in enumerate(self.armed):
            if fault.received is None:
                continue
            if fault.received <= count:
                return self.armed.pop(place)
            self.armed[place] = replace(fault, received=fault.received - count)
        return None

    def struck_at(self, now: int) -> WireFault | None:
        """Return a link-ending fault whose time has come, disarmed."""
        for place, fault in enumerate(self.armed):
            if fault.kind in LINK_ENDS and fault.at_ns is not None and fault.at_ns <= now:
                return self.armed.pop(place)
        return None

    def send(self, data: bytes, now: int) -> list[Piece]:
        """Return what becomes of one whole line or block on its way out."""
        pieces = [Piece(data)]
        for place, fault in enumerate(list(self.armed)):
            left, cut = self._strike(fault, data, now)
            self.armed[place] = left
            if cut is not None:
                pieces = _spoil(fault, data, cut, self._last)
        self._last = data
        self.armed = [f for f in self.armed if f.times >= 0]
        prompts = b"".join(f.text.encode() or b">" for f in self.armed if f.kind == "prompt")
        return [*pieces, Piece(prompts)] if prompts else pieces

    def _strike(self, fault: WireFault, data: bytes, now: int) -> tuple[WireFault, int | None]:
        """Return the fault as it stays armed, and where in `data` it strikes (None: nowhere)."""
        if fault.kind in LASTING or fault.received is not None:
            return fault, None
        if fault.byte is not None:
            if fault.byte > len(data):
                return replace(fault, byte=fault.byte - len(data)), None
            return _used(replace(fault, byte=1)), fault.byte - 1
        if fault.at_ns is not None and fault.at_ns > now:
            return fault, None
        if fault.line is not None and fault.line > 1:
            return replace(fault, line=fault.line - 1), None
        return _used(fault), len(data) // 2


def _used(fault: WireFault) -> WireFault:
    """One use less; 0 stays 0 (for ever), the last use leaves -1."""
    if fault.times == 0:
        return fault
    return replace(fault, times=fault.times - 1 or -1)


def _spoil(fault: WireFault, data: bytes, cut: int, last: bytes) -> list[Piece]:
    wait = fault.for_ns if fault.for_ns is not None else nanoseconds(3.0)
    match fault.kind:
        case "late":
            return [Piece(data, wait)]
        case "half":
            return [Piece(data[:cut])]
        case "split":
            return [Piece(data[:cut]), Piece(data[cut:], wait)]
        case "stale":
            return [Piece(last or data)]
        case "extra":
            return [Piece(data + _line(fault.text or "0"))]
        case "corrupted":
            return [Piece(data[:cut] + bytes([data[cut] ^ fault.mask]) + data[cut + 1 :])]
        case "non-ascii":
            return [Piece(data[:cut] + b"\xb5" + data[cut:])]
        case "silent":
            return []
    return [Piece(data[:cut]), Piece(end=fault)]


def _line(text: str) -> bytes:
    return text.encode("latin-1", "replace") + b"\n"
