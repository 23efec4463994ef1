"""How a serial line is set. No I/O; pyserial's own letters for parity."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

Parity = Literal["none", "even", "odd", "mark", "space"]
Flow = Literal["none", "xon-xoff", "rts-cts", "dtr-dsr"]


@dataclass(frozen=True, slots=True)
class SerialLine:
    """Settings of one serial port; `dtr` and `rts` are the levels from the moment of opening."""

    baud: int = 9600
    data_bits: int = 8
    parity: Parity = "none"
    stop_bits: float = 1
    flow: Flow = "none"
    dtr: bool = True
    rts: bool = True

    def settings(self) -> dict[str, Any]:
        """Return pyserial's keyword arguments."""
        return {
            "baudrate": self.baud,
            "bytesize": self.data_bits,
            "parity": self.parity[0].upper(),
            "stopbits": self.stop_bits,
            "xonxoff": self.flow == "xon-xoff",
            "rtscts": self.flow == "rts-cts",
            "dsrdtr": self.flow == "dtr-dsr",
        }

    def __str__(self) -> str:
        flow = "" if self.flow == "none" else f" {self.flow}"
        return f"{self.baud} {self.data_bits}{self.parity[0].upper()}{self.stop_bits:g}{flow}"
