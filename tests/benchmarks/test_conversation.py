"""What our conversation costs beside bare pyvisa and a bare socket: ratios within one run.

Each side has a server of its own, in a process of its own, so that neither takes anything from the
measured side's interpreter; rounds alternate, so that a busy machine slows both. Bare pyvisa
runs over pyvisa-py's own session classes, as a program without our drivers gets them.
"""

from __future__ import annotations

import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from statistics import median
from time import perf_counter
from typing import Any

import numpy as np
import pytest
import pyvisa
from pyvisa import constants
from pyvisa_py import serial as pyvisa_serial
from pyvisa_py import sessions, tcpip

from drivers import visa_session
from drivers.conversation import Conversation
from drivers.time import WallTime
from drivers.wire import Wire
from tests.drivers.shapes import meter

ROUNDS = 15
QUERIES = 200
POINTS = 100_000
READING = "+1.23456789E+00"
ON_TCP = f"""
import socket, struct
server = socket.create_server(("127.0.0.1", 0))
print(f"TCPIP0::127.0.0.1::{{server.getsockname()[1]}}::SOCKET", flush=True)
import random
generator = random.Random(1)
data = struct.pack("<{POINTS}d", *(generator.gauss(0.0, 1.0) for _ in range({POINTS})))
block = b"#6%06d" % len(data) + data + b"\\n"
while True:
    link, _ = server.accept()
    link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    with link, link.makefile("rb") as lines:
        for line in lines:
            link.sendall(block if line.startswith(b"DATA") else b"{READING}\\n")
"""
ON_SERIAL = f"""
import os, tty
master, slave = os.openpty()
tty.setraw(slave)
print(f"ASRL{{os.ttyname(slave)}}::INSTR", flush=True)
pending = b""
while True:
    pending += os.read(master, 4096)
    while b"\\n" in pending:
        _, _, pending = pending.partition(b"\\n")
        os.write(master, b"{READING}\\n")
"""


@contextmanager
def served(code: str) -> Iterator[str]:
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        try:
            yield process.stdout.readline().decode().strip()
        finally:
            process.kill()


@contextmanager
def bare(resource: str) -> Iterator[Any]:
    """Open a resource with pyvisa-py as it comes, without our sessions."""
    kinds = {
        (constants.InterfaceType.tcpip, "SOCKET"): tcpip.TCPIPSocketSession,
        (constants.InterfaceType.asrl, "INSTR"): pyvisa_serial.SerialSession,
    }
    sessions.Session._session_classes.update(kinds)
    try:
        instrument = pyvisa.ResourceManager("@py").open_resource(
            resource, read_termination="\n", write_termination="\n"
        )
    finally:
        visa_session.install()
    with instrument:
        yield instrument


@contextmanager
def ours(resource: str) -> Iterator[Conversation]:
    clock, words = WallTime(), meter("reply_s = 5.0")
    wire = Wire("dmm", resource, clock, line=words.serial.line())
    conversation = Conversation(wire, words, clock)
    try:
        yield conversation
    finally:
        conversation.close()


def ratio(one: Callable[[], object], other: Callable[[], object], repeats: int) -> float:
    """Return the median of the rounds' ratios of wall time, turn by turn."""
    found = []
    for _ in range(ROUNDS):
        spent = []
        for call in (one, other):
            began = perf_counter()
            for _ in range(repeats):
                call()
            spent.append(perf_counter() - began)
        found.append(spent[0] / spent[1])
    return median(found)


def show(what: str, figure: float) -> None:
    print(f"\n{what}: {figure:.2f}")  # noqa: T201  (the figure)


@pytest.mark.parametrize(("code", "name"), [(ON_TCP, "tcp"), (ON_SERIAL, "serial")])
def test_a_query_costs_no_more_than_a_third_over_a_bare_one(code: str, name: str) -> None:
    with ExitStack() as stack:
        conversation = stack.enter_context(ours(stack.enter_context(served(code))))
        instrument = stack.enter_context(bare(stack.enter_context(served(code))))
        assert conversation.ask("READ?").text == instrument.query("READ?").strip() == READING
        figure = ratio(
            lambda: conversation.ask("READ?"), lambda: instrument.query("READ?"), QUERIES
        )
    show(f"query over {name} against bare resource.query", figure)
    assert figure <= 1.3


def test_a_block_costs_no_more_than_four_times_a_bare_socket() -> None:
    with ExitStack() as stack:
        conversation = stack.enter_context(ours(stack.enter_context(served(ON_TCP))))
        resource = stack.enter_context(served(ON_TCP))
        link = stack.enter_context(
            socket.create_connection(("127.0.0.1", int(resource.split("::")[2])))
        )
        instrument = stack.enter_context(bare(stack.enter_context(served(ON_TCP))))

        def by_socket() -> np.ndarray[Any, np.dtype[np.float64]]:
            link.sendall(b"DATA?\n")
            buffer = bytearray(8 + 8 * POINTS + 1)
            view, got = memoryview(buffer), 0
            while got < len(buffer):
                got += link.recv_into(view[got:])
            return np.frombuffer(buffer, "<f8", POINTS, offset=8)

        def by_us() -> np.ndarray[Any, np.dtype[np.float64]]:
            return np.frombuffer(conversation.ask_block("DATA?"), "<f8")

        def by_visa() -> Any:
            return instrument.query_binary_values("DATA?", "d", container=np.ndarray)

        assert np.array_equal(by_us(), by_socket())
        assert np.array_equal(by_visa(), by_socket())
        figure = ratio(by_us, by_socket, 5)
        show(f"block of {POINTS} points against a bare socket", figure)
        show("the same by bare pyvisa", ratio(by_visa, by_socket, 1))
    assert figure <= 4.0
