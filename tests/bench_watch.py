"""Looks at a simulated bench as a bystander does: at the displays, through the control port."""

from __future__ import annotations

import json
import socket
import time
from types import TracebackType


class BenchWatch:
    """A bystander's connection: leads nothing, sees every display."""

    def __init__(self, control: str) -> None:
        host, _, port = control.rpartition(":")
        self._link = socket.create_connection((host, int(port)), timeout=20)
        self._answers = self._link.makefile("rb")

    def __enter__(self) -> BenchWatch:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._answers.close()
        self._link.close()

    def hand(self, do: str, **details: object) -> dict[str, object]:
        """Do one thing by hand; AssertionError when the bench refuses."""
        self._link.sendall(json.dumps({"op": "hand", "do": do, **details}).encode() + b"\n")
        answer: dict[str, object] = json.loads(self._answers.readline())
        assert "error" not in answer, answer
        return answer

    def display(self, wire: str) -> str:
        return str(self.hand("display", wire=wire)["text"])

    def energised(self) -> list[str]:
        """Return what is on, by what the front panels show; empty when all is off."""
        shown = {wire: self.display(wire) for wire in ("supply", "insulation", "scanner")}
        on = []
        if not shown["supply"].endswith("OFF"):
            on.append(f"supply {shown['supply']}")
        if "READY" not in shown["insulation"]:
            on.append(f"insulation {shown['insulation']}")
        if shown["scanner"] != "ALL OPEN":
            on.append(f"scanner {shown['scanner']}")
        return on

    def seconds_until_off(self, patience_s: float) -> float:
        """Return the wall time until everything is off; AssertionError after the patience."""
        began = time.monotonic()
        while on := self.energised():
            assert time.monotonic() - began < patience_s, f"still on after {patience_s} s: {on}"
            time.sleep(0.01)
        return time.monotonic() - began

    def end(self) -> None:
        """End the bench's process."""
        self._link.sendall(b'{"op":"end"}\n')
