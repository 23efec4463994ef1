"""What could be an instrument on this computer's ports, by names that stay the same."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

BY_ID = Path("/dev/serial/by-id")


@dataclass(frozen=True, slots=True)
class FoundPort:
    """A serial port. `stable` is a name that survives unplugging, empty where there is none."""

    device: str
    stable: str
    description: str
    serial_number: str

    @property
    def resource(self) -> str:
        """What a bench file says to use it."""
        return f"ASRL{self.stable or self.device}::INSTR"


def serial_ports(by_id: Path = BY_ID) -> list[FoundPort]:
    """Return the serial ports, in the order of their devices; none of them is opened."""
    from serial.tools import list_ports

    stable = dict(_links(by_id))
    found = [
        FoundPort(
            port.device,
            stable.get(os.path.realpath(port.device), ""),
            "" if port.description in (None, "n/a") else port.description,
            port.serial_number or "",
        )
        for port in list_ports.comports()
    ]
    return sorted(found, key=lambda port: port.device)


def _links(by_id: Path) -> Iterator[tuple[str, str]]:
    """Yield device and stable name of every link that the system keeps."""
    if not by_id.is_dir():
        return
    for link in sorted(by_id.iterdir()):
        yield os.path.realpath(link), str(link)
