"""Bench time that only the run moves: the leader's side of the simulated bench's control port.

Wherever a run would block (bytes, dwell, poll) it asks here, and the bench advances exactly
that far. No wall time passes that matters, so the same seed gives the same bytes.
"""

from __future__ import annotations

import json
import socket
import time
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from typing import Any

from acq.errors import BenchFailure

NS = 1_000_000_000
_LEAD_S = 2.0  # wall time
_STEP_S = 30.0  # of bench time: a millisecond of wall time
_PATIENCE_S = 30.0  # wall time: a bench that does not answer its control port is broken


class SimulatedBenchGone(BenchFailure):
    """The simulated bench's process is not there any more, and its outputs with it."""


class SteppedTime:
    """Leads a simulated bench; also the hands that clip, load and read displays there.

    Raises BenchFailure when the bench is gone or refuses.
    """

    def __init__(self, address: str) -> None:
        self.address = address
        self._order: list[tuple[str, int]] = []
        self._sent: dict[str, int] = {}
        self._lost: frozenset[str] = frozenset()
        self._quiet = False  # nothing more happens at this instant unless somebody does something
        self._t = 0
        self._in_doubt = False
        self.calls = 0
        self._socket = self._connect()
        self._answers = self._socket.makefile("rb")
        try:
            self.bench = self._lead()
        except BenchFailure:
            self.close()
            raise

    @property
    def start(self) -> datetime:
        """The scenario's date and time at bench time zero, UTC."""
        return datetime.fromisoformat(str(self.bench["start"])).astimezone(UTC)

    @property
    def step_s(self) -> float:
        """How far a wait may go at once: far, unless somebody watches it at a pace."""
        return _STEP_S if self.bench.get("pace") is None else 1.0

    def now_ns(self) -> int:
        """Bench time in ns; nothing moves by asking."""
        return self._t

    def utc(self) -> datetime:
        return self.start + timedelta(microseconds=self._t // 1000)

    def wait(self, seconds: float) -> None:
        """Let bench time go on by `seconds`."""
        self._advance(round(seconds * NS))

    def opened(self, wire: str, local_port: int | None) -> None:
        """Tell the bench that `wire` has a new connection; counting starts again."""
        self._flush()
        self._order = [(name, count) for name, count in self._order if name != wire]
        self._ask({"op": "opened", "wire": wire, "port": local_port})

    def sent(self, wire: str, count: int) -> None:
        """Note that `count` bytes are on their way; the bench obeys them in this order."""
        self._order.append((wire, count))

    def arrived(self, wire: str, have: int, deadline_ns: int) -> int | None:
        """Return how many bytes the bench has sent on `wire`: more than `have`.

        Raises TimeoutError when bench time reaches the deadline, ConnectionError when the
        bench has closed the wire. A look whether something came just now asks the bench only where
        it has not said yet: most exchanges begin with one.
        """
        at_once = deadline_ns <= self._t and self._quiet and not self._order
        if not at_once and (self._order or self._sent.get(wire, 0) <= have):
            self._advance(max(0, deadline_ns - self._t), until=wire, have=have)
        total = self._sent.get(wire, 0)
        if total > have:
            return total
        if wire in self._lost:
            raise ConnectionError(f"{wire}: closed by the instrument")
        raise TimeoutError(wire)

    def hand(self, do: str, **details: Any) -> dict[str, Any]:
        """Do what a person does at the bench: clip, load, temperature, display, ..."""
        self._flush()
        return self._ask({"op": "hand", "do": do, **details})

    def end(self) -> None:
        """End the simulated bench's process."""
        with suppress(BenchFailure):  # it may be gone before it answers
            self._ask({"op": "end"})
        self.close()

    def close(self) -> None:
        """Give up the lead; asking again leads anew."""
        self._answers.close()
        self._socket.close()
        self._in_doubt = True

    def _flush(self) -> None:
        """Have everything obeyed that is under way, without moving time."""
        if self._order:
            self._advance(0)

    def _advance(self, by: int, until: str | None = None, have: int = 0) -> None:
        order, self._order = self._order, []
        request: dict[str, Any] = {"op": "advance", "by": by, "order": order}
        if until is not None:
            request |= {"until": [until], "have": {until: have}}
        self._ask(request)

    def _ask(self, request: dict[str, Any]) -> dict[str, Any]:
        """Ask once. After an exchange that was broken off (Ctrl-C) lead anew first: an answer
        to the old question may still be on its way.
        """
        if self._in_doubt:
            self.close()
            self._socket = self._connect()
            self._answers = self._socket.makefile("rb")
            self._lead()
        return self._exchange(request)

    def _lead(self) -> dict[str, Any]:
        """Take the lead; the bench may need a moment to see that the last leader is gone."""
        patience = time.monotonic() + _LEAD_S
        while True:
            try:
                return self._exchange({"op": "lead"})
            except SimulatedBenchGone:
                raise
            except BenchFailure:
                if time.monotonic() > patience:
                    raise
                time.sleep(0.02)

    def _connect(self) -> socket.socket:
        host, _, port = self.address.rpartition(":")
        try:
            link = socket.create_connection((host, int(port)), timeout=_PATIENCE_S)
        except (OSError, ValueError) as error:
            raise SimulatedBenchGone(
                f"simulated bench at {self.address} is gone: {error}"
            ) from error
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return link

    def _exchange(self, request: dict[str, Any]) -> dict[str, Any]:
        self.calls += 1
        self._in_doubt = True
        try:
            self._socket.sendall(json.dumps(request).encode() + b"\n")
            raw = self._answers.readline()
        except OSError as error:
            raise SimulatedBenchGone(f"simulated bench at {self.address}: {error}") from error
        if not raw.endswith(b"\n"):
            raise SimulatedBenchGone(f"simulated bench at {self.address} has ended")
        answer: dict[str, Any] = json.loads(raw)
        self._in_doubt = False
        if "error" in answer:
            raise BenchFailure(f"simulated bench: {answer['error']}")
        self._t = int(answer.get("t", self._t))
        self._sent.update(answer.get("sent", {}))
        self._lost = frozenset(answer.get("lost", self._lost))
        self._quiet = bool(answer.get("quiet", False))
        return answer
