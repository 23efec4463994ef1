"""The common part of the SCPI instruments: messages one after the other, status, identification.

Written from IEEE 488.2 and SCPI-1999. A program message is executed whole before the next one;
its answers leave together, joined by semicolons. Each unit takes a little bench time.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Generator, Sequence

from simulated_bench.events import Events, Process
from simulated_bench.instruments.device import Instrument
from simulated_bench.instruments.parameters import (
    Boolean,
    Choice,
    Numeric,
    Optional_,
    Wanted,
    read_parameters,
)
from simulated_bench.instruments.status import OPC, Register, Status
from simulated_bench.scpi import InputBuffer, ScpiError, Unit, read_message
from simulated_bench.scpi_headers import CommandTree

Answer = str | bytes | None
Taking = Generator[int, None, Answer]
"""A command that takes bench time: yields waits in nanoseconds, returns its answer."""
Handler = Callable[..., "Answer | Taking"]
Entry = tuple[Handler, tuple[Wanted | Optional_, ...]]

UNIT_NS = 500_000
"""Time to take in one program message unit."""
LIMITS = Choice(("MINimum", "MAXimum", "DEFault"))


def number(value: float) -> str:
    """Return a number as NR3 with nine digits behind the point."""
    return f"{value:+.8E}"


class ScpiDevice(Instrument):
    """Executes program messages; subclasses register their commands in `commands`."""

    identification = "EXAMPLE,INSTRUMENT,0,1.0"

    def __init__(self, name: str, events: Events, identification: str) -> None:
        super().__init__(name, events)
        self.identification = identification
        self.status = Status()
        self._tree: CommandTree[Entry] = CommandTree()
        self._buffer = InputBuffer()
        self._messages: deque[bytes] = deque()
        self._worker: Process | None = None
        self._common_commands()
        self.commands()
        self.power_up()

    def commands(self) -> None:
        """Register the instrument's own commands."""
        raise NotImplementedError

    def reset(self) -> None:
        """`*RST`: settings of the reset state."""
        raise NotImplementedError

    def busy_until(self) -> int:
        """Return when the pending operation ends (bench time), the past when there is none."""
        return 0

    def power_up(self) -> None:
        self.status = Status()
        self._buffer.clear()
        self._messages.clear()
        self._worker = None
        self.reset()

    def connected(self) -> None:
        self._buffer.clear()

    def on(self, pattern: str, handler: Handler, *wanted: Wanted | Optional_) -> None:
        """Register a command under its header pattern with the parameters that it takes."""
        self._tree.add(pattern, (handler, wanted))

    def on_number(
        self,
        pattern: str,
        wanted: Numeric,
        read: Callable[[], float],
        write: Callable[[float], None],
    ) -> None:
        """Register a numeric setting and its query, which also answers MIN, MAX and DEF."""

        def answer(limit: str | None) -> str:
            return number(read() if limit is None else wanted.named(limit))

        self.on(pattern, write, wanted)
        self.on(f"{pattern}?", answer, Optional_(LIMITS))

    def on_switch(
        self, pattern: str, read: Callable[[], bool], write: Callable[[bool], None]
    ) -> None:
        """Register an ON/OFF setting and its query, which answers 1 or 0."""
        self.on(pattern, write, Boolean())
        self.on(f"{pattern}?", lambda: str(int(read())))

    def obey(self, data: bytes) -> None:
        self._messages.extend(self._buffer.feed(data))
        if self._buffer.overrun:
            self._buffer.overrun = False
            self.status.report(ScpiError(-363))
        if self._messages and (self._worker is None or not self._worker.running):
            self._worker = self.start(self._work())

    def _work(self) -> Generator[int, None, None]:
        while self._messages:
            message = self._messages.popleft()
            answers = yield from self._execute(message)
            if answers:
                self.send(b";".join(answers) + b"\n")

    def _execute(self, message: bytes) -> Generator[int, None, list[bytes]]:
        path = self._tree.reader()
        answers: list[bytes] = []
        units = read_message(message)
        indefinite = False
        while True:
            try:
                unit = next(units, None)
                if unit is None:
                    return answers
                yield UNIT_NS
                self._check_order(unit, indefinite=indefinite)
                entry, numbers = path.find(unit)
                answer = yield from self._call(entry, unit, numbers)
            except ScpiError as error:
                self.status.report(error)
                continue  # after a syntax error the reader has no further units
            if answer is not None:
                answers.append(answer if isinstance(answer, bytes) else answer.encode())
            indefinite = unit.header.common and unit.header.nodes == ("IDN",)

    def _check_order(self, unit: Unit, *, indefinite: bool) -> None:
        """No query after `*IDN?` in one message: its answer has no end of its own (6.5.7.5)."""
        if indefinite and unit.header.query:
            raise ScpiError(-440)

    def _call(self, entry: Entry, unit: Unit, numbers: Sequence[int]) -> Taking:
        handler, wanted = entry
        given = handler(*numbers, *read_parameters(unit.parameters, wanted))
        if isinstance(given, Generator):
            return (yield from given)
        return given

    def _common_commands(self) -> None:
        mask = Numeric(0, 255, 0)
        self.on("*IDN?", lambda: self.identification)
        self.on("*RST", self._reset)
        self.on("*CLS", self._clear_status)
        self.on("*ESE", self._set_standard_enable, mask)
        self.on("*ESE?", lambda: str(self.status.standard_enable))
        self.on("*ESR?", lambda: str(self.status.take_standard()))
        self.on("*SRE", self._set_service_enable, mask)
        self.on("*SRE?", lambda: str(self.status.service_enable))
        self.on("*STB?", lambda: str(self.status.byte()))
        self.on("*TST?", lambda: "0")
        self.on("*OPC", self._operation_complete)
        self.on("*OPC?", self._wait_and_say_one)
        self.on("*WAI", self._wait)
        self.on("SYSTem:ERRor[:NEXT]?", self._next_error)
        self.on("SYSTem:ERRor:COUNt?", lambda: str(len(self.status.errors)))
        self.on("SYSTem:VERSion?", lambda: "1999.0")
        self.on("SYSTem:REMote", lambda: None)
        self.on("SYSTem:LOCal", lambda: None)
        self.on("STATus:PRESet", self._preset)
        self._register("QUEStionable", lambda: self.status.questionable)
        self._register("OPERation", lambda: self.status.operation)

    def _register(self, name: str, register: Callable[[], Register]) -> None:
        def enable(value: float) -> None:
            register().enable = round(value)

        self.on(f"STATus:{name}[:EVENt]?", lambda: str(register().take()))
        self.on(f"STATus:{name}:CONDition?", lambda: str(register().condition))
        self.on(f"STATus:{name}:ENABle", enable, Numeric(0, 32767, 0))
        self.on(f"STATus:{name}:ENABle?", lambda: str(register().enable))

    def _clear_status(self) -> None:
        self.status.clear()

    def _next_error(self) -> str:
        return self.status.next_error()

    def _preset(self) -> None:
        self.status.questionable.enable = self.status.operation.enable = 0

    def _reset(self) -> None:
        self.reset()

    def _set_standard_enable(self, value: float) -> None:
        self.status.standard_enable = round(value)

    def _set_service_enable(self, value: float) -> None:
        self.status.service_enable = round(value) & ~64  # bit 6 cannot be enabled (488.2, 11.3.2)

    def _operation_complete(self) -> None:
        def tell() -> Generator[int, None, None]:
            yield from self._wait()
            self.status.standard |= OPC

        self.start(tell())

    def _wait_and_say_one(self) -> Taking:
        yield from self._wait()
        return "1"

    def _wait(self) -> Generator[int, None, None]:
        while (left := self.busy_until() - self.events.now) > 0:
            yield left
