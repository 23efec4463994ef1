"""An instrument's serial line: a pseudo-terminal. POSIX only: pty, termios."""

from __future__ import annotations

import errno
import os
import pty
import selectors
import termios
import tty
from pathlib import Path

from simulated_bench.events import Events, nanoseconds
from simulated_bench.wire import Device, Wire
from simulated_bench.wire_faults import WireFault


class PtyWire(Wire):
    """A serial line: a pseudo-terminal behind a link of a stable name."""

    def __init__(
        self,
        name: str,
        device: Device,
        events: Events,
        selector: selectors.BaseSelector,
        folder: Path,
        baud: int | None = None,
    ) -> None:
        super().__init__(name, device, events, selector)
        self.baud = baud
        self.path = folder / name
        self._master = self._slave = -1
        self.plug()

    @property
    def resource(self) -> str:
        return f"ASRL{self.path}::INSTR"

    def linked(self) -> bool:
        return self._master >= 0

    def plug(self) -> None:
        if self._master >= 0:
            return
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.path.unlink(missing_ok=True)
        self.path.symlink_to(os.ttyname(self._slave))
        self.plugged = True
        self.lost = False
        self.selector.register(self._master, selectors.EVENT_READ, self._ready)
        self._put(self.faults.greeting())

    def unplug(self) -> None:
        if self._master < 0:
            return
        self.flush()
        self.selector.unregister(self._master)
        os.close(self._master)
        os.close(self._slave)
        self._master = self._slave = -1
        self.path.unlink(missing_ok=True)
        self._out.clear()
        self._epoch += 1
        self.plugged = False
        self.lost = True

    def obey(self, count: int) -> None:
        self.raw[:count] = self._over_the_line(self.raw[:count])
        super().obey(count)

    def _put(self, data: bytes) -> None:
        super()._put(self._over_the_line(data))

    def _over_the_line(self, data: bytes | bytearray) -> bytes:
        """At another speed than the instrument's both sides read rubbish."""
        if self.baud is None or self._master < 0:
            return bytes(data)
        speed = termios.tcgetattr(self._master)[5]
        if speed == getattr(termios, f"B{self.baud}"):
            return bytes(data)
        return bytes(((byte * 37 + 11) & 0xFF) | 0x80 for byte in data)

    def end_link(self, *, abruptly: bool) -> None:
        """A serial line knows no connection: only the instrument falls silent."""
        del abruptly
        self._out.clear()
        self._epoch += 1

    def strike(self, fault: WireFault) -> None:
        """On a serial line a closed or reset link is an adapter that vanishes and comes back."""
        if fault.kind in ("closed", "reset"):
            self.unplug()
            self.events.after(fault.for_ns or nanoseconds(2.0), self.plug)
        else:
            super().strike(fault)

    def opened(self, port: int | None) -> bool:
        del port
        if self._master < 0:
            return False
        while self._read():
            pass
        self.raw.clear()
        termios.tcflush(self._slave, termios.TCIFLUSH)
        self._begin()
        return True

    def flush(self) -> None:
        if self._master < 0 or not self._out:
            return
        try:
            while self._out:
                del self._out[: os.write(self._master, self._out)]
        except BlockingIOError:
            both = selectors.EVENT_READ | selectors.EVENT_WRITE
            self.selector.modify(self._master, both, self._ready)

    def close(self) -> None:
        self.unplug()

    def _ready(self, mask: int) -> None:
        if mask & selectors.EVENT_WRITE:
            self.selector.modify(self._master, selectors.EVENT_READ, self._ready)
            self.flush()
        if mask & selectors.EVENT_READ:
            data = self._read()
            if data:
                self.raw += data
                self.on_input(self)

    def _read(self) -> bytes:
        try:
            return os.read(self._master, 65536)
        except BlockingIOError:
            return b""
        except OSError as error:
            if error.errno == errno.EIO:  # nobody has the line open
                return b""
            raise
