"""Our own SOCKET and ASRL sessions inside pyvisa-py: connect errors, hang-ups and deadlines.

pyvisa-py 0.8's own SOCKET session reports a refused connection as success, takes a peer that
hung up for a slow one while it uses a whole core, and its `clear` may never return; its serial
session reads byte by byte and opens the port before it knows the line's settings. These two
keep VISA's meaning of read, write and clear, and add `receive`, which hands over what has come.

Together with `wire` the only file that imports pyvisa; the contract is tested against both.
"""

from __future__ import annotations

import math
import os
import select
import socket
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import serial
from pyvisa import attributes, constants
from pyvisa.constants import BufferOperation, ResourceAttribute, StatusCode
from pyvisa_py import serial as pyvisa_serial
from pyvisa_py import sessions, tcpip

from drivers.serial_line import SerialLine

OpenError = sessions.OpenError

_CLEAR_AT_MOST_S = 2.0
_CLEAR_QUIET_S = 0.02
_CHUNK = 1 << 16
# A reply that is ready comes within some ten microseconds. To fall asleep and be woken takes as
# long again, so it is looked for this often before the operating system is asked to wake us.
_LOOKS = 40

_opening = threading.local()


@contextmanager
def opening(line: SerialLine) -> Iterator[None]:
    """Serial ports that are opened inside have these settings from the first moment.

    VISA sets them one by one after opening: DTR has then already reset the instrument, and
    a setting that the port refuses makes the next ones fail as well.
    """
    _opening.line = line
    try:
        yield
    finally:
        _opening.line = None


class SocketSession(tcpip.TCPIPSocketSession):  # type: ignore[misc]
    """A raw TCP socket that says at once what is wrong. Non-blocking; waiting is done by poll."""

    interface: socket.socket | None

    def _connect(self) -> StatusCode:
        patience = self.open_timeout / 1000.0 if self.open_timeout else 5.0
        address = (self.parsed.host_address, int(self.parsed.port))
        try:
            self.interface = socket.create_connection(address, patience)
        except (OSError, UnicodeError) as error:
            raise sessions.OpenError(StatusCode.error_resource_not_found) from error
        self.interface.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.interface.setblocking(False)
        self._readable, self._writable = select.poll(), select.poll()
        self._readable.register(self.interface, select.POLLIN)
        self._writable.register(self.interface, select.POLLOUT)
        return StatusCode.success

    def after_parsing(self) -> None:
        super().after_parsing()
        # the library wires this attribute's setter to a method that always refuses
        self.attrs[ResourceAttribute.tcpip_nodelay] = (
            self._get_tcpip_nodelay,
            self._set_tcpip_nodelay,
        )

    def close(self) -> StatusCode:
        if self.interface is not None:
            self.interface.close()
            self.interface = None
        return StatusCode.success

    @property
    def local_port(self) -> int:
        return int(self._socket().getsockname()[1])

    def _socket(self) -> socket.socket:
        if self.interface is None:
            raise ConnectionError("the connection is closed")
        return self.interface

    def waiting(self) -> bool:
        """True when a byte can be read without waiting; raises ConnectionError after a hang-up."""
        if self._pending_buffer:
            return True
        wire = self._socket()
        if not self._readable.poll(0):
            return False
        if not wire.recv(1, socket.MSG_PEEK):
            raise ConnectionError("the peer has closed the connection")
        return True

    def receive(self, limit: int, timeout_s: float) -> bytes:
        """Return 1 to `limit` bytes; raises TimeoutError, ConnectionError if the peer is gone."""
        if self._pending_buffer:
            return self._taken(limit)
        wire = self._socket()
        self._await(timeout_s)
        data = wire.recv(limit)
        if not data:
            raise ConnectionError("the peer has closed the connection")
        return data

    def receive_into(self, room: memoryview, timeout_s: float) -> int:
        """Fill part of `room`, at least one byte; as `receive` otherwise."""
        if self._pending_buffer:
            data = self._taken(len(room))
            room[: len(data)] = data
            return len(data)
        wire = self._socket()
        self._await(timeout_s)
        count = wire.recv_into(room)
        if not count:
            raise ConnectionError("the peer has closed the connection")
        return count

    def _await(self, timeout_s: float) -> None:
        for _ in range(_LOOKS):
            if self._readable.poll(0):
                return
        if not self._readable.poll(milliseconds(timeout_s)):
            raise TimeoutError

    def send(self, data: bytes, timeout_s: float) -> None:
        """Send all bytes; raises TimeoutError or ConnectionError (some may have left)."""
        wire = self._socket()
        end = 0.0
        while True:
            try:
                data = data[wire.send(data) :]
            except BlockingIOError:
                end = end or time.monotonic() + timeout_s
                if not self._writable.poll(milliseconds(end - time.monotonic())):
                    raise TimeoutError from None
            if not data:
                return

    def read(self, count: int) -> tuple[bytes, StatusCode]:
        """Read as viRead: up to `count` bytes, or up to the termination character if enabled."""
        buffer = self._pending_buffer
        end = None if self.timeout is None else time.monotonic() + self.timeout
        stop = self._stop_byte()
        searched = 0
        while True:
            found = buffer.find(stop, searched, count) if stop else -1
            if found >= 0:
                return self._taken(found + 1), StatusCode.success_termination_character_read
            if len(buffer) >= count:
                return self._taken(count), StatusCode.success_max_count_read
            searched = len(buffer)
            failure = self._fill(end, count)
            if failure is not None:
                return self._taken(len(buffer)), failure

    def _stop_byte(self) -> bytes:
        enabled = self.attrs[ResourceAttribute.termchar_enabled]
        return bytes([self.attrs[ResourceAttribute.termchar]]) if enabled else b""

    def _taken(self, count: int) -> bytes:
        data = bytes(self._pending_buffer[:count])
        del self._pending_buffer[:count]
        return data

    def _fill(self, end: float | None, count: int) -> StatusCode | None:
        """Wait for more bytes; return None, or why none came."""
        try:
            wire = self._socket()
            left = None if end is None else milliseconds(end - time.monotonic())
            if not self._readable.poll(left):
                return StatusCode.error_timeout
            data = wire.recv(max(_CHUNK, count - len(self._pending_buffer)))
        except OSError:
            return StatusCode.error_connection_lost
        self._pending_buffer += data
        return None if data else StatusCode.error_connection_lost

    def write(self, data: bytes) -> tuple[int, StatusCode]:
        try:
            self.send(data, math.inf if self.timeout is None else self.timeout)
        except TimeoutError:
            return 0, StatusCode.error_timeout
        except OSError:
            return 0, StatusCode.error_connection_lost
        return len(data), StatusCode.success

    def clear(self) -> StatusCode:
        """Throw away what has come; ends when it is quiet, lost, or after two seconds."""
        self._pending_buffer.clear()
        end = time.monotonic() + _CLEAR_AT_MOST_S
        while time.monotonic() < end:
            try:
                self.receive(_CHUNK, _CLEAR_QUIET_S)
            except TimeoutError:
                return StatusCode.success
            except OSError:
                return StatusCode.error_connection_lost
        return StatusCode.error_timeout

    def flush(self, mask: BufferOperation) -> StatusCode:
        if mask & BufferOperation.discard_read_buffer:
            return self.clear()
        return StatusCode(super().flush(mask))


class SerialSession(pyvisa_serial.SerialSession):  # type: ignore[misc]
    """A serial port that is opened with its settings, for us alone, and read as bytes come."""

    interface: serial.SerialBase | None

    def after_parsing(self) -> None:
        line = getattr(_opening, "line", None) or SerialLine()
        try:
            self.interface = self._opened(line)
        except (OSError, ValueError) as error:  # SerialException is an OSError
            raise sessions.OpenError(StatusCode.error_resource_not_found) from error
        for name in ("ASRL_END_IN", "ASRL_END_OUT", "SEND_END_EN", "TERMCHAR", "TERMCHAR_EN",
                     "SUPPRESS_END_EN"):  # fmt: skip
            attribute = getattr(constants, "VI_ATTR_" + name)
            self.attrs[attribute] = attributes.AttributesByID[attribute].default

    def _opened(self, line: SerialLine) -> serial.SerialBase:
        name = ("COM" if os.name == "nt" else "") + self.parsed.board
        port = serial.serial_for_url(
            name, do_not_open=True, timeout=self.timeout, write_timeout=self.timeout,
            **line.settings(),
        )  # fmt: skip
        if isinstance(port, serial.Serial):
            port.exclusive = True
        port.dtr, port.rts = line.dtr, line.rts
        try:
            port.open()
            refused = _refused(port, line)
        except Exception as error:
            port.close()
            if type(error).__name__ != "error":  # termios.error, which has no better family
                raise
            raise OSError(f"it refuses {line}: {error}") from error
        if refused:
            port.close()
            raise OSError(f"it refuses {refused} of {line}")
        return port

    def close(self) -> StatusCode:
        if self.interface is not None:
            self.interface.close()
            self.interface = None
        return StatusCode.success

    local_port: int | None = None

    def _port(self) -> serial.SerialBase:
        if self.interface is None or not self.interface.is_open:
            raise ConnectionError("the port is closed")
        return self.interface

    def receive(self, limit: int, timeout_s: float) -> bytes:
        """Return 1 to `limit` bytes; raises TimeoutError, ConnectionError if the port is gone."""
        port = self._port()
        if not isinstance(port, serial.Serial) or os.name == "nt":
            return self._receive_slowly(port, limit, timeout_s)
        poll = select.poll()
        poll.register(port.fd, select.POLLIN)
        if not poll.poll(milliseconds(timeout_s)):
            raise TimeoutError
        try:
            data = os.read(port.fd, limit)
        except BlockingIOError:
            raise TimeoutError from None
        except OSError as error:
            raise ConnectionError(f"the port is gone: {error.strerror}") from error
        if not data:
            raise ConnectionError("the port is gone")
        return data

    def _receive_slowly(self, port: serial.SerialBase, limit: int, timeout_s: float) -> bytes:
        try:
            port.timeout = max(0.0, timeout_s)
            data = bytes(port.read(max(1, min(limit, port.in_waiting))))
        except OSError as error:
            raise ConnectionError(f"the port is gone: {error}") from error
        if not data:
            raise TimeoutError
        return data

    def receive_into(self, room: memoryview, timeout_s: float) -> int:
        data = self.receive(len(room), timeout_s)
        room[: len(data)] = data
        return len(data)

    def waiting(self) -> bool:
        """True when a byte can be read without waiting; raises ConnectionError when gone."""
        try:
            return bool(self._port().in_waiting)
        except ConnectionError:
            raise
        except OSError as error:
            raise ConnectionError(f"the port is gone: {error}") from error

    def send(self, data: bytes, timeout_s: float) -> None:
        """Send all bytes; raises TimeoutError or ConnectionError (some may have left)."""
        port = self._port()
        if not isinstance(port, serial.Serial) or os.name == "nt":
            self._send_slowly(port, data, timeout_s)
            return
        poll = select.poll()
        poll.register(port.fd, select.POLLOUT)
        end = time.monotonic() + timeout_s
        while data:
            if not poll.poll(milliseconds(end - time.monotonic())):
                raise TimeoutError
            data = data[self._written(port.fd, data) :]

    @staticmethod
    def _written(handle: int, data: bytes) -> int:
        try:
            return os.write(handle, data)
        except BlockingIOError:
            return 0
        except OSError as error:
            raise ConnectionError(f"the port is gone: {error.strerror}") from error

    @staticmethod
    def _send_slowly(port: serial.SerialBase, data: bytes, timeout_s: float) -> None:
        try:
            port.write_timeout = max(1e-3, timeout_s)
            port.write(data)
        except serial.SerialTimeoutException:
            raise TimeoutError from None
        except OSError as error:
            raise ConnectionError(f"the port is gone: {error}") from error

    def clear(self) -> StatusCode:
        """Throw away what has come and what has not left; pyvisa-py's own cannot do this."""
        try:
            self._port().reset_input_buffer()
        except OSError:
            return StatusCode.error_connection_lost
        return StatusCode.success


def _refused(port: serial.SerialBase, line: SerialLine) -> str:
    """Return what the port did not take over; a system may drop a setting without a word."""
    if sys.platform == "win32":
        return ""  # there the system refuses by itself
    import termios

    if not isinstance(port, serial.Serial):
        return ""
    _, _, flags, _, speed, _, _ = termios.tcgetattr(port.fd)
    sizes = {5: termios.CS5, 6: termios.CS6, 7: termios.CS7, 8: termios.CS8}
    if flags & termios.CSIZE != sizes[line.data_bits]:
        return f"{line.data_bits} data bits"
    if bool(flags & termios.PARENB) != (line.parity != "none"):
        return f"parity {line.parity}"
    if bool(flags & termios.CSTOPB) != (line.stop_bits > 1):
        return f"{line.stop_bits:g} stop bits"
    wanted = getattr(termios, f"B{line.baud}", None)
    return f"{line.baud} baud" if wanted not in (None, speed) else ""


def milliseconds(seconds: float) -> int | None:
    """Return what poll wants: whole milliseconds, rounded up; None is for ever."""
    return None if seconds == math.inf else max(0, math.ceil(seconds * 1000.0))


def install() -> None:
    """Register both sessions in pyvisa-py; calling it again changes nothing."""
    for kind, name, session in (
        (constants.InterfaceType.tcpip, "SOCKET", SocketSession),
        (constants.InterfaceType.asrl, "INSTR", SerialSession),
    ):
        if sessions.Session._session_classes.get((kind, name)) is session:
            continue
        sessions.Session._session_classes.pop((kind, name), None)  # else it warns
        sessions.Session.register(kind, name)(session)
