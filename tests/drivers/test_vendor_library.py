"""`@ivi`: a VISA library in C, as vendors ship them, under the same wires and dialects.

The library is a small one of our own (`visa_library.c`), built here: names, attributes and status
codes are those of VPP-4.3 (IVI Foundation).
"""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from drivers.dialect import load_dialect
from drivers.dmm import Dmm
from drivers.serial_line import SerialLine
from drivers.time import WallTime
from drivers.wire import Wire
from tests.drivers.instruments_met import Meter
from tests.drivers.peers import Peer, on_pty, on_tcp, words

BRIDGEBENCH = str(Path(sys.executable).with_name("bridgebench"))
LINKS = {"tcp": on_tcp, "serial": on_pty}


def read_on(wire: Wire, clock: WallTime) -> None:
    for _ in range(3):
        wire.send(b"READ?\n", soon(clock, 1.0))
        wire.receive(soon(clock, 1.0))


def soon(clock: WallTime, seconds: float) -> int:
    return clock.now_ns() + round(seconds * 1e9)


@pytest.mark.parametrize("link", LINKS)
def test_a_reading_comes_through_it(vendor_library: Path, link: str, clock: WallTime) -> None:
    with LINKS[link](Peer(Meter())) as peer:
        spoken = load_dialect("scpi-dmm")
        with Dmm.open("dmm", peer.resource, spoken, clock, library=str(vendor_library)) as dmm:
            assert dmm.identify() == "EXAMPLE,METER,0417,1.0"
            assert dmm.measure("resistance", range_=1000.0).value == 351.0
            assert dmm.complaints() == ()


@pytest.mark.parametrize("link", LINKS)
def test_silence_a_new_start_and_a_hang_up_are_told_apart(
    vendor_library: Path, link: str, clock: WallTime
) -> None:
    with LINKS[link](Peer(words({"READ?": "+1.5", "SLOW?": None}))) as peer:
        wire = Wire("dmm", peer.resource, clock, library=str(vendor_library))
        wire.send(b"SLOW?\n", soon(clock, 1.0))
        started = time.monotonic()
        with pytest.raises(TimeoutError):
            wire.receive(soon(clock, 0.3))
        assert 0.2 < time.monotonic() - started < 3.0
        wire.reopen()
        wire.send(b"READ?\n", soon(clock, 1.0))
        assert wire.receive(soon(clock, 2.0)) == b"+1.5\n"
    with pytest.raises(ConnectionError):
        read_on(wire, clock)  # the peer has gone
    wire.close()


def test_nobody_there_and_a_setting_that_is_refused_are_said(
    vendor_library: Path, clock: WallTime
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        closed = server.getsockname()[1]
    with pytest.raises(ConnectionError, match="cannot be opened"):
        Wire("dmm", f"TCPIP0::127.0.0.1::{closed}::SOCKET", clock, library=str(vendor_library))
    line = SerialLine(data_bits=7, parity="even")
    refused = pytest.raises(ConnectionError, match="refuses data_bits 7")
    with on_pty(Peer(words({}))) as peer, refused:
        Wire("dmm", peer.resource, clock, library=str(vendor_library), line=line)


def tried(home: Path, resource: str) -> subprocess.CompletedProcess[str]:
    command = [BRIDGEBENCH, "dialect", "try", "scpi-dmm", "--library", "@ivi"]
    command += ["--resource", resource, "--quantity", "resistance", "--range", "1000"]
    environment = {**os.environ, "HOME": str(home)}
    return subprocess.run(command, env=environment, capture_output=True, text=True, check=False)


def test_the_word_in_the_bench_file_finds_the_library_of_this_computer(
    vendor_library: Path, tmp_path: Path
) -> None:
    """pyvisa looks for it in the system's folders, or where its own file names it."""
    (tmp_path / ".pyvisarc").write_text(
        f"[Paths]\nVISA library = {vendor_library}\n", encoding="utf-8"
    )
    with on_tcp(Peer(Meter())) as peer:
        told = tried(tmp_path, peer.resource)
    assert told.returncode == 0, told.stderr
    assert "-> 351.0, None" in told.stdout


def test_without_one_it_says_so(tmp_path: Path) -> None:
    told = tried(tmp_path, "TCPIP0::127.0.0.1::1::SOCKET")
    assert told.returncode == 3
    assert "no vendor's library is installed on this computer" in told.stdout + told.stderr
