"""Start a simulated bench in its own process and talk to it as a client: for tests and trials.

`BenchProcess` starts and ends the process; `Leader` moves its time, speaks on its wires and
lends it a person's hands. Nothing here is shared with what real benches use.
"""

from __future__ import annotations

import json
import os
import select
import socket
import subprocess
import sys
import termios
import tomllib
import tty
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from simulated_bench.events import NS, nanoseconds

PATIENCE_S = 20.0


class BenchProcessError(RuntimeError):
    """The process did not start, or refused an order; its one line says why."""


class BenchProcess:
    """A running simulated bench; a context manager that ends it.

    `bench` is the text of its bench file, `control` the address of its control port.
    """

    def __init__(
        self, scenario: str | Path = "healthy", seed: int | None = None, more: Sequence[str] = ()
    ) -> None:
        command = [sys.executable, "-P", "-m", "simulated_bench", "--scenario", str(scenario)]
        command += [] if seed is None else ["--seed", str(seed)]
        self._process = subprocess.Popen(
            [*command, *more],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        if not line:
            _, said = self._process.communicate()
            raise BenchProcessError(said.strip() or "the simulated bench has ended")
        self.said: dict[str, Any] = json.loads(line)
        self.control: str = self.said["control"]
        self.bench: str = self.said["bench"]

    def resources(self) -> dict[str, str]:
        """Return the VISA resource name of every instrument that has one, by role."""
        instruments = tomllib.loads(self.bench)["instruments"]
        return {role: i["resource"] for role, i in instruments.items() if "resource" in i}

    def lead(self) -> Leader:
        """Return a connection that moves this bench's time."""
        return Leader(self.control, self.resources())

    def hand(self, do: str, **details: Any) -> dict[str, Any]:
        """Let a person do something without leading; raises BenchProcessError."""
        with _Control(self.control) as control:
            return control.ask({"op": "hand", "do": do, **details})

    def alive(self) -> bool:
        """Tell whether the process still runs."""
        return self._process.poll() is None

    def wait(self, seconds: float = PATIENCE_S) -> int:
        """Wait for the process to end by itself; return its exit code."""
        return self._process.wait(seconds)

    def close(self) -> None:
        """End the process and wait for it."""
        if self._process.poll() is None:
            self._process.terminate()
        self._process.communicate(timeout=PATIENCE_S)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


class _Control:
    """One connection to a control port."""

    def __init__(self, address: str) -> None:
        host, _, port = address.rpartition(":")
        self._socket = socket.create_connection((host, int(port)), timeout=PATIENCE_S)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._answers = self._socket.makefile("rb")

    def ask(self, order: dict[str, Any]) -> dict[str, Any]:
        """Return the answer to one order; raises BenchProcessError."""
        self._socket.sendall(json.dumps(order).encode() + b"\n")
        line = self._answers.readline()
        if not line:
            raise BenchProcessError("the simulated bench has closed its control port")
        answer: dict[str, Any] = json.loads(line)
        if "error" in answer:
            raise BenchProcessError(answer["error"])
        return answer

    def close(self) -> None:
        """Close the connection."""
        self._answers.close()
        self._socket.close()

    def __enter__(self) -> _Control:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class Leader:
    """Moves a bench's time and speaks on its wires; closes everything as a context manager.

    Seconds are bench time. Bytes are read exactly up to what the bench says that it has sent.
    """

    def __init__(self, address: str, resources: dict[str, str]) -> None:
        self._control = _Control(address)
        self._resources = resources
        self._links: dict[str, socket.socket | int] = {}
        self._read: dict[str, int] = {}
        self._held: dict[str, bytes] = {}
        try:
            self.about = self._control.ask({"op": "lead"})
        except BenchProcessError:
            self._control.close()
            raise
        self.t: int = self.about["t"]
        self.lost: list[str] = []

    @property
    def seconds(self) -> float:
        """The bench time in s."""
        return self.t / NS

    def open(self, wire: str) -> None:
        """Open a wire and make it the one that counts; raises OSError when refused."""
        self.hang_up(wire)
        kind, _, rest = self._resources[wire].partition("::")
        if kind.startswith("TCPIP"):
            host, port, _ = rest.split("::")
            link = socket.create_connection((host, int(port)), timeout=PATIENCE_S)
            link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._links[wire] = link
            local = link.getsockname()[1]
        else:
            descriptor = os.open(kind.removeprefix("ASRL"), os.O_RDWR | os.O_NOCTTY)
            tty.setraw(descriptor, termios.TCSANOW)
            self._links[wire] = descriptor
            local = None
        self._read[wire], self._held[wire] = 0, b""
        self._take(self._control.ask({"op": "opened", "wire": wire, "port": local}))

    def hang_up(self, wire: str) -> None:
        """Close a wire from the client's side."""
        link = self._links.pop(wire, None)
        if isinstance(link, int):
            os.close(link)
        elif link is not None:
            link.close()

    def say(self, wire: str, text: str | bytes, seconds: float = 0.0) -> None:
        """Send a message (text gets an LF), have it obeyed and let `seconds` pass."""
        self.advance(seconds, order=[self.write(wire, text)])

    def write(self, wire: str, text: str | bytes) -> tuple[str, int]:
        """Put bytes on a wire; return the entry for `advance`'s order."""
        if wire not in self._links:
            self.open(wire)
        data = text if isinstance(text, bytes) else text.encode() + b"\n"
        link = self._links[wire]
        if isinstance(link, int):
            os.write(link, data)
        else:
            link.sendall(data)
        return wire, len(data)

    def ask(self, wire: str, text: str | bytes, seconds: float = 60.0) -> str:
        """Send a query and return its answer without the line end; raises TimeoutError."""
        return self.line(wire, seconds, order=[self.write(wire, text)])

    def line(self, wire: str, seconds: float = 60.0, order: Sequence[tuple[str, int]] = ()) -> str:
        """Return the next line of a wire, up to LF or CR; raises TimeoutError or ConnectionError.

        The bytes of `order` are obeyed first.
        """
        deadline = self.t + nanoseconds(seconds)
        while True:
            held = self._held.get(wire, b"")
            ends = [at for at in (held.find(b"\n"), held.find(b"\r")) if at >= 0]
            if ends and not order:
                line, self._held[wire] = held[: min(ends)], held[min(ends) + 1 :]
                if line:
                    return line.decode("latin-1")
                continue
            if wire in self.lost and not order:
                raise ConnectionError(f"{wire}: closed by the instrument")
            if self.t >= deadline and not order:
                raise TimeoutError(f"{wire}: nothing within {seconds} s of bench time")
            self.advance((deadline - self.t) / NS, until=wire, order=order)
            order = ()

    def advance(
        self,
        seconds: float,
        until: str | None = None,
        order: Sequence[tuple[str, int]] = (),
    ) -> dict[str, Any]:
        """Let time go on, up to the next bytes of the wire `until`; read all that arrived."""
        request: dict[str, Any] = {
            "op": "advance",
            "by": nanoseconds(seconds),
            "order": [list(entry) for entry in order],
        }
        if until is not None:
            request |= {"until": [until], "have": {until: self._read.get(until, 0)}}
        answer = self._control.ask(request)
        self._take(answer)
        return answer

    def discard(self, wire: str) -> bytes:
        """Forget what has arrived on a wire and was not asked for; return it."""
        held, self._held[wire] = self._held.get(wire, b""), b""
        return held

    def hand(self, do: str, **details: Any) -> dict[str, Any]:
        """Do what a person does at the bench."""
        return self._control.ask({"op": "hand", "do": do, **details})

    def raw(self, order: dict[str, Any]) -> dict[str, Any]:
        """Send any order to the control port; raises BenchProcessError."""
        return self._control.ask(order)

    def close(self) -> None:
        """Hang up everywhere and stop leading."""
        for wire in list(self._links):
            self.hang_up(wire)
        self._control.close()

    def __enter__(self) -> Leader:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _take(self, answer: dict[str, Any]) -> None:
        self.t, self.lost = answer["t"], answer["lost"]
        for wire, link in self._links.items():
            missing = answer["sent"][wire] - self._read[wire]
            self._held[wire] += _exactly(link, missing)
            self._read[wire] += missing


def _exactly(link: socket.socket | int, count: int) -> bytes:
    """Read `count` bytes that are known to be on their way."""
    data = b""
    while len(data) < count:
        ready, _, _ = select.select([link], [], [], PATIENCE_S)
        if not ready:
            raise BenchProcessError("bytes that the bench has counted do not arrive")
        left = count - len(data)
        piece = os.read(link, left) if isinstance(link, int) else link.recv(left)
        if not piece:
            raise BenchProcessError("the link ended before the bytes that the bench has counted")
        data += piece
    return data
