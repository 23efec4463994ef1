"""What every simulated instrument is: a name, a wire, mains that can go off and on."""

from __future__ import annotations

from collections.abc import Callable

from simulated_bench.events import Events, Process, Steps


class Instrument:
    """Takes bytes in at bench time and sends bytes; kinds of instruments fill in the rest."""

    def __init__(self, name: str, events: Events) -> None:
        self.name = name
        self.events = events
        self.send: Callable[[bytes], None] = lambda _data: None
        self.stream: Callable[[bytes], None] = lambda _line: None
        self._running: list[Process] = []

    def obey(self, data: bytes) -> None:
        """Take in bytes at the present bench time."""
        raise NotImplementedError

    def connected(self) -> None:
        """A new connection: what was half said on the old one is forgotten."""

    def restart(self) -> None:
        """Mains off and on: nothing pending, settings of power-up."""
        for process in self._running:
            process.cancel()
        self._running.clear()
        self.power_up()

    def power_up(self) -> None:
        """Take the settings that the instrument wakes up with."""
        raise NotImplementedError

    def display(self) -> str:
        """Return what a person reads on the front panel."""
        raise NotImplementedError

    def start(self, steps: Steps) -> Process:
        """Run steps that take bench time; a restart ends them."""
        self._running = [process for process in self._running if process.running]
        process = Process(self.events, steps)
        if process.running:
            self._running.append(process)
        return process
