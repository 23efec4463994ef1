"""A byte pipe with deadlines over any VISA resource. Knows nothing of lines and commands.

Raises TimeoutError at the deadline and ConnectionError when the peer is gone, nothing else;
the conversation above says who and what. Deadlines are bench time (`drivers.time`): a stepped
clock says how many bytes have been sent, and exactly these are read; on the wall's clock
the operating system is asked.
"""

from __future__ import annotations

import time as wall
import warnings
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any, Literal, Protocol, cast

import pyvisa
from pyvisa import constants
from pyvisa.constants import ResourceAttribute, StatusCode

from drivers import visa_session
from drivers.port_lock import PortLock
from drivers.serial_line import SerialLine
from drivers.time import Time

OPEN_TIMEOUT_S = 5.0
# Bytes that a stepped clock announced are in the kernel already, or on their way to it.
_ANNOUNCED_WITHIN_S = 5.0
_CHUNK = 1 << 16
_PAUSE_S = 0.002
_THERE_IS_MORE = StatusCode.success_max_count_read

Watch = Callable[[Literal["sent", "received", "matched"], bytes], None]

_managers: dict[str, pyvisa.ResourceManager] = {}


class _Port(Protocol):
    """What stands between a wire and the operating system."""

    local_port: int | None

    def send(self, data: bytes, timeout_s: float) -> None: ...
    def receive(self, limit: int, timeout_s: float) -> bytes: ...
    def receive_into(self, room: memoryview, timeout_s: float) -> int: ...
    def waiting(self) -> bool: ...


class Wire:
    """One open link to one instrument, owned by one process. Bytes only."""

    def __init__(
        self,
        name: str,
        resource: str,
        time: Time,
        *,
        library: str = "@py",
        line: SerialLine | None = None,
        reply_end: bytes = b"\n",
    ) -> None:
        """Open the link; raises ConnectionError at once when nobody answers there."""
        self.name = name
        self.resource = resource
        self.is_serial = resource.upper().startswith("ASRL")
        self._time = time
        self._library = library
        self._line = line or SerialLine()
        self._reply_end = reply_end
        self._visa: Any = None
        self._have = 0
        self.watch: Watch | None = None
        self._lock: PortLock | None = PortLock(resource, name)
        try:
            self._open()
        except BaseException:
            self.close()
            raise

    @property
    def closed(self) -> bool:
        return self._visa is None

    @property
    def message_ended(self) -> bool:
        """True when the link said that the last bytes end a message (VXI-11, HiSLIP, USB)."""
        return isinstance(self._port, _VisaPort) and self._port.message_ended

    def send(self, data: bytes, deadline_ns: int) -> None:
        """Send all bytes by the deadline."""
        left = max(0.001, self._left_s(deadline_ns))
        if self.watch is not None:
            self.watch("sent", data)
        self._port.send(data, left)
        self._time.sent(self.name, len(data))

    def receive(self, deadline_ns: int, limit: int = _CHUNK) -> bytes:
        """Return at least one byte; at most `limit` when it is not known how many there are."""
        total = self._time.arrived(self.name, self._have, deadline_ns)
        if total is None:
            data = self._port.receive(limit, max(0.0, self._left_s(deadline_ns)))
        else:
            data = self._announced(total - self._have)
        self._have += len(data)
        if self.watch is not None:
            self.watch("received", data)
        return data

    def receive_into(self, room: memoryview, deadline_ns: int) -> int:
        """Fill part of `room`, at least one byte; saves a copy of large blocks."""
        total = self._time.arrived(self.name, self._have, deadline_ns)
        if total is not None:
            room = room[: total - self._have]
            count = self._port.receive_into(room, _ANNOUNCED_WITHIN_S)
        else:
            count = self._port.receive_into(room, max(0.0, self._left_s(deadline_ns)))
        self._have += count
        return count

    def waiting(self) -> bool:
        """True when bytes have come that nobody has read."""
        try:
            total = self._time.arrived(self.name, self._have, self._time.now_ns())
        except TimeoutError:
            return False
        return self._port.waiting() if total is None else True

    def drop_waiting(self) -> None:
        """Throw away what has come until now."""
        if isinstance(self._port, _VisaPort):
            self._port.clear()
        while self.waiting():
            self.receive(self._time.now_ns() + _ns(_ANNOUNCED_WITHIN_S))

    def reopen(self) -> None:
        """Close and open: after this no byte that was sent before can arrive by this link.

        A serial line cannot be hung up: what the instrument still has to say will come.
        """
        self._hang_up()
        self._open()

    def close(self) -> None:
        """Give the link and the port back; harmless when called again."""
        self._hang_up()
        if self._lock is not None:
            self._lock.release()
            self._lock = None

    def _open(self) -> None:
        self._visa = _open_resource(self._library, self.resource, self._line)
        self._port = _port_of(self._visa, self.resource, self._reply_end)
        self._have = 0
        if self.is_serial:
            self._drop_old_input()
        self._time.opened(self.name, self._port.local_port)

    def _drop_old_input(self) -> None:
        try:
            self._visa.clear()
        except (pyvisa.VisaIOError, NotImplementedError, OSError):
            return  # other VISA libraries may not know it; `in doubt` covers what then comes

    def _hang_up(self) -> None:
        if self._visa is None:
            return
        visa, self._visa = self._visa, None
        try:
            visa.close()
        except (pyvisa.Error, OSError, RuntimeError):
            return  # a dead link cannot be closed more than it is

    def _announced(self, count: int) -> bytes:
        parts = bytearray()
        end = wall.monotonic() + _ANNOUNCED_WITHIN_S
        while len(parts) < count:
            parts += self._port.receive(count - len(parts), max(0.0, end - wall.monotonic()))
        return bytes(parts)

    def _left_s(self, deadline_ns: int) -> float:
        return (deadline_ns - self._time.now_ns()) / 1e9


def _ns(seconds: float) -> int:
    return round(seconds * 1e9)


_DEFINED = "@sim"  # behind the path of a file that defines simulated instruments


def _manager(library: str) -> pyvisa.ResourceManager:
    if library not in _managers:
        if library == "@py":
            visa_session.install()
        defined = library.removesuffix(_DEFINED)
        if defined not in (library, "") and not Path(defined).is_file():
            raise ConnectionError(f"VISA library {library!r} cannot be used: no such file")
        try:
            _managers[library] = pyvisa.ResourceManager(library)
        except Exception as error:  # definitions raise what their reader raises
            if library.endswith(_DEFINED):
                why = "it cannot be read as definitions of simulated instruments"
                raise ConnectionError(f"VISA library {library!r} cannot be used: {why}") from error
            if not isinstance(error, (OSError, ValueError, pyvisa.Error)):
                raise
            why = " ".join(str(error).split())
            if library == "@ivi" and why.endswith(":"):  # it has tried nothing
                why = "no vendor's library is installed on this computer"
            raise ConnectionError(f"VISA library {library!r} cannot be used: {why}") from error
    return _managers[library]


def answering_on_the_lan(library: str = "@py") -> tuple[str, ...]:
    """Ask the local network who is an instrument: VISA broadcasts, and whoever hears it answers.

    Only where a person wants it: it sends to every device of the network. Raises
    ConnectionError when the library cannot do it.
    """
    try:
        return tuple(sorted(_manager(library).list_resources("TCPIP?*")))
    except (OSError, ValueError, pyvisa.Error) as error:
        raise ConnectionError(f"VISA library {library!r} cannot look: {error}") from error


def _open_resource(library: str, resource: str, line: SerialLine) -> Any:
    manager = _manager(library)
    try:
        with visa_session.opening(line), warnings.catch_warnings():
            warnings.simplefilter("ignore")
            visa: Any = manager.open_resource(resource, open_timeout=int(OPEN_TIMEOUT_S * 1000))
    except pyvisa.VisaIOError as error:
        raise ConnectionError(_why(error)) from error
    except Exception as error:  # pyvisa-py raises nearly everything here, bare Exception too
        raise ConnectionError(f"cannot be opened: {' '.join(str(error).split())}") from error
    if library != "@py" and resource.upper().startswith("ASRL"):
        _set_line(visa, line)
    return visa


def _why(error: pyvisa.VisaIOError) -> str:
    """Say what an open failed of: the operating system's words where there are any."""
    cause: BaseException | None = error
    while cause is not None and isinstance(cause, (pyvisa.VisaIOError, visa_session.OpenError)):
        cause = cause.__cause__ or cause.__context__
    return f"cannot be opened: {' '.join(str(cause or error).split())}"


def _port_of(visa: Any, resource: str, reply_end: bytes) -> _Port:
    session = getattr(visa.visalib, "sessions", {}).get(visa.session)
    if isinstance(session, (visa_session.SocketSession, visa_session.SerialSession)):
        return cast(_Port, session)
    return _VisaPort(visa, resource, reply_end)


class _VisaPort:
    """Any other VISA session: VXI-11, HiSLIP, USB, another VISA library, pyvisa-sim."""

    local_port: int | None = None

    def __init__(self, visa: Any, resource: str, reply_end: bytes) -> None:
        self._visa = visa
        self._rest = bytearray()
        # a plain byte stream has no messages: each read must end at the last byte of a line end
        self._is_stream = resource.upper().startswith("ASRL") or (
            resource.upper().endswith("::SOCKET")
        )
        self._ended = False
        if self._is_stream:
            self._stop_at(reply_end[-1:])

    @property
    def message_ended(self) -> bool:
        return self._ended and not self._rest

    def _stop_at(self, stop: bytes) -> None:
        for attribute, state in (
            (ResourceAttribute.termchar, stop[0]),
            (ResourceAttribute.termchar_enabled, True),
        ):
            try:
                self._visa.set_visa_attribute(attribute, state)
            except (pyvisa.Error, NotImplementedError, AttributeError):
                return

    def send(self, data: bytes, timeout_s: float) -> None:
        self._ended = False
        self._do(timeout_s, lambda: self._visa.write_raw(data))

    def receive(self, limit: int, timeout_s: float) -> bytes:
        if not self._rest:
            self._rest += self._message(timeout_s)
        data = bytes(self._rest[:limit])
        del self._rest[:limit]
        return data

    def receive_into(self, room: memoryview, timeout_s: float) -> int:
        data = self.receive(len(room), timeout_s)
        room[: len(data)] = data
        return len(data)

    def _message(self, timeout_s: float) -> bytes:
        """Return what one read gives: a message, a line, or as much of it as fits."""
        end = wall.monotonic() + timeout_s
        while True:
            left = max(0.001, end - wall.monotonic())
            data: bytes
            data, status = self._do(left, self._read)
            self._ended = not self._is_stream and status != _THERE_IS_MORE
            if data:
                return data
            if wall.monotonic() >= end:
                raise TimeoutError
            wall.sleep(_PAUSE_S)  # HiSLIP may answer "nothing" at once instead of waiting

    def _read(self) -> tuple[bytes, StatusCode]:
        data, status = self._visa.visalib.read(self._visa.session, _CHUNK)
        return bytes(data), status

    def waiting(self) -> bool:
        """True when something has come; a link with messages cannot be asked and says False.

        The two LAN protocols tell a late reply from a new one themselves.
        """
        if self._is_stream and not self._rest:
            with suppress(TimeoutError):
                self._rest += self._message(_PAUSE_S)
        return bool(self._rest)

    def clear(self) -> None:
        """Empty both ends of a link with messages, where the library can."""
        if not self._is_stream:
            with suppress(pyvisa.VisaIOError, NotImplementedError, OSError, RuntimeError):
                self._visa.clear()

    def _do(self, timeout_s: float, action: Callable[[], Any]) -> Any:
        try:
            self._visa.timeout = max(1.0, timeout_s * 1000.0)
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                return action()
        except pyvisa.VisaIOError as error:
            if error.error_code == StatusCode.error_timeout:
                raise TimeoutError from error
            raise ConnectionError(str(error)) from error
        except (pyvisa.Error, OSError, RuntimeError, EOFError) as error:
            if isinstance(error, TimeoutError):
                raise
            raise ConnectionError(str(error) or type(error).__name__) from error


def _set_line(visa: Any, line: SerialLine) -> None:
    """Set a serial line by VISA attributes; raises ConnectionError that names the setting."""
    flow = {
        "none": constants.ControlFlow.none,
        "xon-xoff": constants.ControlFlow.xon_xoff,
        "rts-cts": constants.ControlFlow.rts_cts,
        "dtr-dsr": constants.ControlFlow.dtr_dsr,
    }
    for name, state in (
        ("baud_rate", line.baud),
        ("data_bits", line.data_bits),
        ("parity", constants.Parity[line.parity]),
        ("stop_bits", constants.StopBits(int(line.stop_bits * 10))),
        ("flow_control", flow[line.flow]),
    ):
        try:
            setattr(visa, name, state)
        except (pyvisa.Error, OSError, NotImplementedError, ValueError) as error:
            raise ConnectionError(f"the port refuses {name} {state}: {error}") from error
