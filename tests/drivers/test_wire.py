"""The byte pipe over every kind of link: what is sent arrives, deadlines hold, errors are two."""

from __future__ import annotations

import logging
import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator

import pytest

from drivers.port_lock import PortInUseError, PortLock, lock_name
from drivers.serial_line import SerialLine
from drivers.time import WallTime
from drivers.wire import Wire
from tests.drivers.lan_peers import on_hislip, on_vxi11
from tests.drivers.peers import Manners, Peer, Serve, on_pty, on_tcp, words

READING = "+1.23456789E-03"


def asrl_socket(peer: Peer) -> Iterator[Peer]:
    with on_tcp(peer) as served:
        port = served.resource.split("::")[2]
        served.resource = f"ASRLsocket://127.0.0.1:{port}::INSTR"
        yield served


LINKS = {"tcp": on_tcp, "serial": on_pty, "hislip": on_hislip, "vxi11": on_vxi11}


@pytest.fixture(params=[*LINKS, "serial server"])
def served(request: pytest.FixtureRequest) -> Iterator[Peer]:
    """A peer on each kind of link that pyvisa-py has and that needs no hardware."""
    peer = Peer(words({"READ?": READING, "SLOW?": None, "*IDN?": "EXAMPLE,METER,0,1"}))
    if request.param == "serial server":
        yield from asrl_socket(peer)
        return
    with LINKS[request.param](peer) as ready:
        yield ready


@pytest.fixture
def quiet_log() -> Iterator[None]:
    """Keep logged errors of libraries, and with them their half-open sockets, out of memory."""
    logging.disable(logging.CRITICAL)
    yield
    logging.disable(logging.NOTSET)


def soon(clock: WallTime, seconds: float) -> int:
    return clock.now_ns() + round(seconds * 1e9)


def line(wire: Wire, clock: WallTime) -> bytes:
    data = b""
    while not data.endswith(b"\n"):
        data += wire.receive(soon(clock, 3.0))
    return data


def read_on(wire: Wire, clock: WallTime) -> None:
    while True:
        wire.receive(soon(clock, 20.0))


def test_what_is_asked_is_answered_on_every_link(served: Peer, clock: WallTime) -> None:
    wire = Wire("dmm", served.resource, clock)
    for _ in range(3):
        wire.send(b"READ?\n", soon(clock, 1.0))
        assert line(wire, clock) == READING.encode() + b"\n"
    wire.reopen()
    wire.send(b"*IDN?\n", soon(clock, 1.0))
    assert line(wire, clock) == b"EXAMPLE,METER,0,1\n"
    wire.close()
    wire.close()
    assert served.received == ["READ?"] * 3 + ["*IDN?"]


def test_silence_is_a_timeout_at_the_deadline_on_every_link(served: Peer, clock: WallTime) -> None:
    wire = Wire("dmm", served.resource, clock)
    wire.send(b"SLOW?\n", soon(clock, 1.0))
    started = time.monotonic()
    with pytest.raises(TimeoutError):
        wire.receive(soon(clock, 0.3))
    assert 0.2 < time.monotonic() - started < 3.0
    wire.close()


@pytest.mark.parametrize(
    "resource",
    [
        "ASRL/dev/no-such-port::INSTR",
        "TCPIP0::127.0.0.1::{closed}::SOCKET",
        "TCPIP0::127.0.0.1,{closed}::inst0::INSTR",
        "TCPIP0::127.0.0.1::hislip0,{closed}::INSTR",
        "ASRLsocket://127.0.0.1:{closed}::INSTR",
        "no resource at all",
        "",
    ],
)
@pytest.mark.usefixtures("quiet_log")
@pytest.mark.filterwarnings("ignore:unclosed:ResourceWarning")  # pyvisa-py leaves it to collection
def test_what_is_not_there_is_a_connection_error_at_once(resource: str, clock: WallTime) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        closed = server.getsockname()[1]
    started = time.monotonic()
    with pytest.raises(ConnectionError):
        Wire("dmm", resource.format(closed=closed), clock)
    assert time.monotonic() - started < 4.0


def test_an_unknown_visa_library_is_a_connection_error(clock: WallTime) -> None:
    with pytest.raises(ConnectionError, match="no-such-library"):
        Wire("dmm", "TCPIP0::127.0.0.1::1::SOCKET", clock, library="/no-such-library.so")


def test_a_setting_that_the_port_refuses_is_named(clock: WallTime) -> None:
    # a pseudo terminal knows 8 data bits without parity only
    line = SerialLine(data_bits=7, parity="even", stop_bits=2)
    with on_pty(Peer(words({}))) as peer, pytest.raises(ConnectionError, match="9600 7E2"):
        Wire("dmm", peer.resource, clock, line=line)


@pytest.mark.parametrize("then", ["close", "reset"])
def test_a_hang_up_is_lost_and_not_a_timeout(then: str, clock: WallTime) -> None:
    with on_tcp(Peer(words({"READ?": READING}))) as peer:
        peer.behave(Manners(cut_after=4, then=then))
        wire = Wire("dmm", peer.resource, clock)
        wire.send(b"READ?\n", soon(clock, 1.0))
        with pytest.raises(ConnectionError):
            read_on(wire, clock)
        with pytest.raises(ConnectionError):
            wire.waiting()
        wire.close()


def test_a_pulled_serial_cable_is_lost_and_not_a_timeout(clock: WallTime) -> None:
    with on_pty(Peer(words({"READ?": READING}))) as peer:
        peer.behave(Manners(then="close"))
        wire = Wire("dmm", peer.resource, clock)
        wire.send(b"READ?\n", soon(clock, 1.0))
        with pytest.raises(ConnectionError):
            read_on(wire, clock)
        with pytest.raises(ConnectionError):
            wire.reopen()
        wire.close()


def test_waiting_tells_whether_somebody_spoke(serve: Serve, clock: WallTime) -> None:
    with serve(Peer(words({}))) as peer:
        wire = Wire("dmm", peer.resource, clock)
        wire.send(b"hello\n", soon(clock, 1.0))
        assert not wire.waiting()
        while not peer.received:
            time.sleep(0.01)
        peer.push(b"unasked\n")
        end = time.monotonic() + 5.0
        while not wire.waiting() and time.monotonic() < end:
            time.sleep(0.01)
        assert wire.waiting()
        assert line(wire, clock) == b"unasked\n"
        wire.close()


def test_after_reopening_nothing_of_before_can_arrive(serve: Serve, clock: WallTime) -> None:
    with serve(Peer(words({"READ?": READING, "*IDN?": "EXAMPLE"}))) as peer:
        wire = Wire("dmm", peer.resource, clock)
        wire.send(b"READ?\n", soon(clock, 1.0))
        time.sleep(0.1)
        wire.reopen()
        wire.send(b"*IDN?\n", soon(clock, 1.0))
        assert line(wire, clock) == b"EXAMPLE\n"
        wire.close()


def test_one_port_has_one_owner_in_one_process_or_two(serve: Serve, clock: WallTime) -> None:
    with serve(Peer(words({}))) as peer:
        wire = Wire("dmm", peer.resource, clock)
        with pytest.raises(PortInUseError, match=f"in use by process {os.getpid()} as dmm"):
            Wire("supply", peer.resource, clock)
        code = (
            "from drivers.port_lock import PortLock, PortInUseError\n"
            f"try: PortLock({peer.resource!r}, 'supply')\n"
            "except PortInUseError as error: print(error)"
        )
        said = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True
        )
        assert f"process {os.getpid()} as dmm" in said.stdout
        wire.close()
        Wire("supply", peer.resource, clock).close()


def test_the_lock_ends_with_its_process_however_it_ends() -> None:
    code = (
        "from drivers.port_lock import PortLock\n"
        "import time\n"
        "lock = PortLock('ASRL/dev/some-port::INSTR', 'dmm')\n"
        "print('held', flush=True)\n"
        "time.sleep(60)"
    )
    process = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE)
    assert process.stdout is not None
    assert process.stdout.readline() == b"held\n"
    with pytest.raises(PortInUseError):
        PortLock("ASRL/dev/some-port::INSTR", "guardian")
    process.kill()
    PortLock("ASRL/dev/some-port::INSTR", "guardian").release()
    process.wait()
    process.stdout.close()


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("TCPIP::10.0.0.5::5025::SOCKET", "tcpip0::10.0.0.5::5025::socket", True),
        ("ASRL/dev/ttyUSB0::INSTR", "ASRL/dev/ttyUSB0", True),
        ("ASRL/dev/../dev/ttyUSB0::INSTR", "ASRL/dev/ttyUSB0::INSTR", True),
        ("TCPIP::10.0.0.5::5025::SOCKET", "TCPIP::10.0.0.5::5026::SOCKET", False),
        ("ASRL/dev/ttyUSB0::INSTR", "ASRL/dev/ttyUSB1::INSTR", False),
    ],
)
def test_a_port_has_one_lock_by_all_its_names(one: str, other: str, same: bool) -> None:
    assert (lock_name(one) == lock_name(other)) is same


def test_a_link_to_a_serial_port_has_the_lock_of_the_port(tmp_path: os.PathLike[str]) -> None:
    link = os.path.join(tmp_path, "insulation-tester")
    os.symlink("/dev/null", link)
    assert lock_name(f"ASRL{link}::INSTR") == lock_name("ASRL/dev/null::INSTR")


def test_a_large_message_to_a_peer_that_does_not_read_ends_at_the_deadline(clock: WallTime) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        wire = Wire("dmm", f"TCPIP0::127.0.0.1::{server.getsockname()[1]}::SOCKET", clock)
        peer, _ = server.accept()
        with pytest.raises(TimeoutError):
            wire.send(b"x" * 40_000_000, soon(clock, 0.3))
        wire.close()
        peer.close()


class CountedTime:
    """A clock that knows how many bytes have been sent, as a stepped one does."""

    def __init__(self) -> None:
        self.t = 0
        self.total = 0
        self.heard: list[tuple[str, object]] = []

    def now_ns(self) -> int:
        return self.t

    def wait(self, seconds: float) -> None:
        self.t += round(seconds * 1e9)

    def opened(self, wire: str, local_port: int | None) -> None:  # noqa: ARG002
        self.total = 0
        self.heard.append(("opened", local_port))

    def sent(self, wire: str, count: int) -> None:  # noqa: ARG002
        self.heard.append(("sent", count))

    def arrived(self, wire: str, have: int, deadline_ns: int) -> int | None:
        if self.total > have:
            return self.total
        self.t = max(self.t, deadline_ns)
        raise TimeoutError(wire)


def test_in_stepped_time_exactly_the_announced_bytes_are_read(serve: Serve) -> None:
    with serve(Peer(words({"A": "12345", "B": "67890"}))) as peer:
        clock = CountedTime()
        wire = Wire("dmm", peer.resource, clock)
        wire.send(b"A\n", 0)
        wire.send(b"B\n", 0)
        while len(peer.received) < 2:
            time.sleep(0.01)
        assert not wire.waiting()
        clock.total = 6
        assert wire.receive(0) == b"12345\n"
        assert not wire.waiting()
        clock.total = 9
        assert wire.waiting()
        assert wire.receive(0) == b"678"
        clock.total = 12
        room = bytearray(10)
        assert wire.receive_into(memoryview(room), 0) == 3
        assert room[:3] == b"90\n"
        wire.close()
    ports = [what for name, what in clock.heard if name == "opened"]
    assert isinstance(ports[0], int) is ("TCPIP" in peer.resource)
    assert [what for name, what in clock.heard if name == "sent"] == [2, 2]


def test_in_stepped_time_a_deadline_is_bench_time(serve: Serve) -> None:
    with serve(Peer(words({}))) as peer:
        clock = CountedTime()
        wire = Wire("dmm", peer.resource, clock)
        started = time.monotonic()
        with pytest.raises(TimeoutError):
            wire.receive(3_600_000_000_000)
        assert clock.t == 3_600_000_000_000
        assert time.monotonic() - started < 5.0
        wire.close()
