"""Status of a SCPI instrument: error queue and event registers.

SCPI-1999 volume 1, section 9; IEEE 488.2, section 11.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from simulated_bench.scpi import MESSAGES, ScpiError

OPC, RQC, QYE, DDE, EXE, CME, URQ, PON = (1 << bit for bit in range(8))
"""Bits of the standard event status register (IEEE 488.2, 11.5.1)."""
EAV, QUES, MAV, ESB, MSS, OPER = 4, 8, 16, 32, 64, 128
"""Bits of the status byte (IEEE 488.2, 11.2; EAV, QUES and OPER: SCPI-1999, 9)."""


def event_bit(code: int) -> int:
    """Return the standard event bit that an error number sets (SCPI-1999, 21.8)."""
    if -199 <= code <= -100:
        return CME
    if -299 <= code <= -200:
        return EXE
    if -499 <= code <= -400:
        return QYE
    return DDE


@dataclass(slots=True)
class Register:
    """A condition register with its latched events and its enable mask."""

    condition: int = 0
    event: int = 0
    enable: int = 0

    def set(self, bit: int, *, on: bool) -> None:
        """Change a condition; a rise latches an event."""
        if on and not self.condition & bit:
            self.event |= bit
        self.condition = self.condition | bit if on else self.condition & ~bit

    def take(self) -> int:
        """Return the events and forget them."""
        taken, self.event = self.event, 0
        return taken


@dataclass(slots=True)
class Status:
    """Everything that `*CLS` clears, and its masks."""

    queue_length: int = 20
    standard: int = PON
    standard_enable: int = 0
    service_enable: int = 0
    questionable: Register = field(default_factory=Register)
    operation: Register = field(default_factory=Register)
    errors: deque[str] = field(default_factory=deque)

    def report(self, error: ScpiError) -> None:
        """Queue an error and set its event bit; the last place of a full queue says -350."""
        self.standard |= event_bit(error.code)
        if len(self.errors) < self.queue_length:
            self.errors.append(str(error))
        else:
            self.errors[-1] = f'-350,"{MESSAGES[-350]}"'

    def next_error(self) -> str:
        """Return and forget the oldest error, `0,"No error"` when there is none."""
        return self.errors.popleft() if self.errors else '0,"No error"'

    def take_standard(self) -> int:
        """Return the standard event register and clear it (`*ESR?`)."""
        taken, self.standard = self.standard, 0
        return taken

    def clear(self) -> None:
        """`*CLS`: events and queue, not the masks."""
        self.standard = 0
        self.questionable.event = self.operation.event = 0
        self.errors.clear()

    def byte(self) -> int:
        """Return the status byte as `*STB?` does, master summary in bit 6."""
        value = EAV if self.errors else 0
        value |= QUES if self.questionable.event & self.questionable.enable else 0
        value |= OPER if self.operation.event & self.operation.enable else 0
        value |= ESB if self.standard & self.standard_enable else 0
        return value | (MSS if value & self.service_enable & ~MSS else 0)
