"""Commands in lines, one after the other: the common part of the insulation testers' languages."""

from __future__ import annotations

from collections import deque

from simulated_bench.events import Process, Steps
from simulated_bench.instruments.insulation_tester import Tester
from simulated_bench.instruments.site import Site


class LineTester(Tester):
    """Collects bytes up to the line's end and hands each line over when its turn comes."""

    line_end = b"\n"

    def __init__(self, name: str, site: Site) -> None:
        super().__init__(name, site)
        self._held = b""
        self._lines: deque[bytes] = deque()
        self._worker: Process | None = None

    def power_up(self) -> None:
        super().power_up()
        self._held = b""
        self._lines.clear()
        self._worker = None

    def obey(self, data: bytes) -> None:
        *lines, self._held = (self._held + data).split(self.line_end)
        self._lines.extend(line.strip(b"\r\n") for line in lines)
        if self._lines and (self._worker is None or not self._worker.running):
            self._worker = self.start(self._work())

    def _work(self) -> Steps:
        while self._lines:
            line = self._lines.popleft()
            if line.strip():
                yield from self.line(line.decode("latin-1"))

    def line(self, text: str) -> Steps:
        """Obey one line; takes bench time and sends the answer, if the language has any."""
        raise NotImplementedError


def whole_number(text: str, digits: int | None = None) -> int | None:
    """Return a number written in digits alone (of exactly `digits` of them), else None."""
    if not text.isascii() or not text.isdigit() or digits not in (None, len(text)):
        return None
    return int(text)
