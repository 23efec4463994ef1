"""The contract of our two sessions inside pyvisa-py, spoken to through plain pyvisa."""

from __future__ import annotations

import logging
import os
import resource as limits
import socket
import threading
import time
from collections.abc import Iterator
from typing import Any

import pytest
import pyvisa
from pyvisa import constants
from pyvisa.constants import BufferOperation, StatusCode
from pyvisa_py import sessions

from drivers import visa_session
from drivers.serial_line import SerialLine
from tests.drivers.peers import Manners, Peer, on_pty, on_tcp, words

READING = "+1.23456789E-03"


@pytest.fixture
def manager() -> pyvisa.ResourceManager:
    visa_session.install()
    return pyvisa.ResourceManager("@py")


@pytest.fixture
def peer() -> Iterator[Peer]:
    with on_tcp(Peer(words({"READ?": READING, "DATA?": b"#210" + b"\n" * 10}))) as served:
        yield served


def opened(manager: pyvisa.ResourceManager, peer: Peer, **settings: Any) -> Any:
    given = {"read_termination": "\n", "write_termination": "\n", "timeout": 500, **settings}
    return manager.open_resource(peer.resource, **given)


def session_of(instrument: Any) -> visa_session.SocketSession:
    found = instrument.visalib.sessions[instrument.session]
    assert isinstance(found, visa_session.SocketSession)
    return found


def closed_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])


def test_installing_twice_changes_nothing_and_warns_of_nothing(
    caplog: pytest.LogCaptureFixture,
) -> None:
    visa_session.install()
    with caplog.at_level(logging.WARNING):
        visa_session.install()
    assert not caplog.records
    kind = (constants.InterfaceType.tcpip, "SOCKET")
    assert sessions.Session.get_session_class(*kind) is visa_session.SocketSession


def test_a_closed_port_is_refused_at_once(manager: pyvisa.ResourceManager) -> None:
    started = time.monotonic()
    with pytest.raises(pyvisa.VisaIOError) as error:
        manager.open_resource(f"TCPIP0::127.0.0.1::{closed_port()}::SOCKET", open_timeout=5000)
    assert error.value.error_code == StatusCode.error_resource_not_found
    assert time.monotonic() - started < 2.0


def test_an_unknown_host_is_a_visa_error(manager: pyvisa.ResourceManager) -> None:
    with pytest.raises(pyvisa.VisaIOError):
        manager.open_resource("TCPIP0::no such host::5025::SOCKET", open_timeout=1000)


def test_a_query_and_a_termination_character_work_as_in_visa(
    manager: pyvisa.ResourceManager, peer: Peer
) -> None:
    with opened(manager, peer) as instrument:
        assert instrument.query("READ?") == READING
        instrument.write("READ?")
        assert instrument.read_bytes(6) == READING[:6].encode()
        assert instrument.read() == READING[6:]


def test_a_block_full_of_line_ends_is_read_by_length(
    manager: pyvisa.ResourceManager, peer: Peer
) -> None:
    with opened(manager, peer, read_termination=None) as instrument:
        instrument.write("DATA?")
        assert instrument.read_bytes(15) == b"#210" + b"\n" * 11


@pytest.mark.parametrize("then", ["close", "reset"])
def test_a_hang_up_is_lost_at_once_and_costs_no_processor_time(
    manager: pyvisa.ResourceManager, peer: Peer, then: str
) -> None:
    peer.behave(Manners(cut_after=5, then=then))
    with opened(manager, peer, timeout=20_000) as instrument:
        instrument.write("READ?")
        started, used = time.monotonic(), time.process_time()
        with pytest.raises(pyvisa.VisaIOError) as error:
            instrument.read()
        assert error.value.error_code == StatusCode.error_connection_lost
        assert time.monotonic() - started < 5.0
        assert time.process_time() - used < 1.0


def test_clear_ends_after_a_hang_up(manager: pyvisa.ResourceManager, peer: Peer) -> None:
    peer.behave(Manners(cut_after=0, then="close"))
    with opened(manager, peer) as instrument:
        instrument.write("READ?")
        time.sleep(0.1)
        for clear in (instrument.clear, lambda: flush(instrument)):
            started = time.monotonic()
            with pytest.raises(pyvisa.VisaIOError) as error:
                clear()
            assert error.value.error_code == StatusCode.error_connection_lost
            assert time.monotonic() - started < 5.0


def flush(instrument: Any) -> None:
    instrument.flush(BufferOperation.discard_read_buffer)


def test_clear_ends_while_the_peer_goes_on_talking(manager: pyvisa.ResourceManager) -> None:
    server = socket.create_server(("127.0.0.1", 0))
    stop = threading.Event()

    def talk() -> None:
        link, _ = server.accept()
        link.settimeout(0.2)
        while not stop.is_set():
            try:
                link.sendall(b"x" * 100)
            except OSError:
                break
            time.sleep(0.001)
        link.close()

    thread = threading.Thread(target=talk)
    thread.start()
    name = f"TCPIP0::127.0.0.1::{server.getsockname()[1]}::SOCKET"
    with manager.open_resource(name) as instrument:
        started = time.monotonic()
        with pytest.raises(pyvisa.VisaIOError) as error:
            instrument.clear()
        assert error.value.error_code == StatusCode.error_timeout
        assert time.monotonic() - started < 10.0
    stop.set()
    thread.join()
    server.close()


def test_clear_drops_what_came(manager: pyvisa.ResourceManager, peer: Peer) -> None:
    with opened(manager, peer) as instrument:
        instrument.write("READ?")
        time.sleep(0.05)
        instrument.clear()
        assert instrument.query("READ?") == READING


def test_small_writes_are_not_held_back(manager: pyvisa.ResourceManager, peer: Peer) -> None:
    with opened(manager, peer) as instrument:
        wire = session_of(instrument).interface
        assert wire is not None
        assert wire.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) == 1
        nodelay = constants.ResourceAttribute.tcpip_nodelay
        instrument.set_visa_attribute(nodelay, False)
        assert not instrument.get_visa_attribute(nodelay)


def test_sending_to_a_peer_that_does_not_read_ends_at_the_timeout(
    manager: pyvisa.ResourceManager,
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        name = f"TCPIP0::127.0.0.1::{server.getsockname()[1]}::SOCKET"
        instrument: Any = manager.open_resource(name, timeout=300)
        with instrument:
            peer, _ = server.accept()
            started = time.monotonic()
            with pytest.raises(pyvisa.VisaIOError) as error:
                instrument.write_raw(b"x" * 40_000_000)
            assert error.value.error_code == StatusCode.error_timeout
            assert time.monotonic() - started < 5.0
            peer.close()


def test_more_than_a_thousand_open_files_do_not_matter(
    manager: pyvisa.ResourceManager, peer: Peer
) -> None:
    soft, hard = limits.getrlimit(limits.RLIMIT_NOFILE)
    if hard != limits.RLIM_INFINITY and hard < 1200:
        pytest.skip("this system allows fewer than 1200 open files")
    limits.setrlimit(limits.RLIMIT_NOFILE, (max(soft, 1200), hard))
    filler = [os.open("/dev/null", os.O_RDONLY) for _ in range(1030)]
    try:
        with opened(manager, peer) as instrument:
            assert session_of(instrument)._socket().fileno() > 1024
            assert instrument.query("READ?") == READING
    finally:
        for handle in filler:
            os.close(handle)
        limits.setrlimit(limits.RLIMIT_NOFILE, (soft, hard))


def test_a_serial_port_is_ours_alone_and_has_its_settings_from_the_start(
    manager: pyvisa.ResourceManager,
) -> None:
    line = SerialLine(baud=4800, stop_bits=2, flow="xon-xoff")
    with on_pty(Peer(words({}))) as peer:
        with visa_session.opening(line):
            instrument: Any = manager.open_resource(peer.resource)
        with instrument:
            assert instrument.baud_rate == 4800
            assert instrument.stop_bits == constants.StopBits.two
            assert instrument.flow_control == constants.ControlFlow.xon_xoff
            with pytest.raises(pyvisa.VisaIOError):
                manager.open_resource(peer.resource)
        with manager.open_resource(peer.resource) as again:
            instrument = again
            assert instrument.baud_rate == 9600


def test_a_setting_that_the_port_refuses_fails_the_open_and_leaves_the_port_usable(
    manager: pyvisa.ResourceManager,
) -> None:
    with on_pty(Peer(words({"READ?": READING}))) as peer:
        # a pseudo terminal knows no parity
        odd = SerialLine(parity="even", data_bits=7)
        with visa_session.opening(odd), pytest.raises(pyvisa.VisaIOError):
            manager.open_resource(peer.resource)
        with manager.open_resource(peer.resource, read_termination="\n") as instrument:
            reader: Any = instrument
            assert reader.query("READ?") == READING


def test_control_lines_are_no_obstacle_where_there_are_none(
    manager: pyvisa.ResourceManager,
) -> None:
    with on_pty(Peer(words({"READ?": READING}))) as peer:
        with visa_session.opening(SerialLine(dtr=False, rts=False)):
            instrument: Any = manager.open_resource(peer.resource, read_termination="\n")
        with instrument:
            assert instrument.query("READ?") == READING


def test_clear_works_on_a_serial_port(manager: pyvisa.ResourceManager) -> None:
    with (
        on_pty(Peer(words({"READ?": READING}))) as peer,
        manager.open_resource(peer.resource, read_termination="\n") as instrument,
    ):
        reader: Any = instrument
        reader.write("READ?")
        time.sleep(0.1)
        reader.clear()
        assert reader.query("READ?") == READING


def test_a_missing_serial_port_is_a_visa_error(manager: pyvisa.ResourceManager) -> None:
    with pytest.raises(pyvisa.VisaIOError):
        manager.open_resource("ASRL/dev/no-such-port::INSTR")
