"""What our conversation costs over bare VISA, as ratios on one link in one run.

The instrument is a process of its own, so that it takes nothing from the measured side's
interpreter. Rounds alternate: what the machine does meanwhile meets both alike.
"""

from __future__ import annotations

import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator

import numpy as np
import pytest
import pyvisa

from drivers.conversation import Conversation
from drivers.time import WallTime
from drivers.wire import Wire
from tests.drivers.shapes import meter

ROUNDS, QUERIES = 15, 200
POINTS = 100_000
SERVER = f"""
import socket, struct
server = socket.create_server(("127.0.0.1", 0))
print(server.getsockname()[1], flush=True)
data = struct.pack("<{POINTS}d", *(n * 0.37 for n in range({POINTS})))
block = b"#6%06d" % len(data) + data + b"\\n"
while True:
    link, _ = server.accept()
    link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    with link, link.makefile("rb") as lines:
        for line in lines:
            link.sendall(block if line.startswith(b"BLOCK") else b"+1.23456789E+00\\n")
"""


@pytest.fixture
def resource() -> Iterator[str]:
    with subprocess.Popen([sys.executable, "-c", SERVER], stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        yield f"TCPIP0::127.0.0.1::{int(process.stdout.readline())}::SOCKET"
        process.kill()


def open_ours(resource: str) -> Conversation:
    clock = WallTime()
    words = meter()
    return Conversation(Wire("dmm", resource, clock, line=words.serial.line()), words, clock)


def _timed(action: Callable[[], object]) -> float:
    began = time.perf_counter()
    action()
    return time.perf_counter() - began


def test_a_query_costs_little_more_than_a_bare_one(resource: str) -> None:
    """Goal 1.3; the bare one runs over the same session class."""
    conversation = open_ours(resource)
    conversation.ask("READ?")
    conversation.close()
    manager = pyvisa.ResourceManager("@py")
    bare = manager.open_resource(resource, read_termination="\n", write_termination="\n")

    def ask_bare() -> None:
        for _ in range(QUERIES):
            assert bare.query("READ?") == "+1.23456789E+00"  # type: ignore[attr-defined]

    bare_s = [_timed(ask_bare) for _ in range(ROUNDS)]
    bare.close()
    conversation = open_ours(resource)

    def ask_ours() -> None:
        for _ in range(QUERIES):
            assert conversation.ask("READ?").text == "+1.23456789E+00"

    times = [_timed(ask_ours) for _ in range(ROUNDS)]
    conversation.close()
    found = min(times) / min(bare_s)
    print(f"\nquery: ours is {found:.2f} of bare resource.query")  # noqa: T201
    assert found < 3.0, "something was added to every query"


def test_a_block_costs_little_more_than_a_bare_socket(resource: str) -> None:
    """Goal 4 for 100 000 points against recv_into and numpy.frombuffer."""
    port = int(resource.split("::")[2])
    conversation = open_ours(resource)
    ours_s = []
    for _ in range(ROUNDS):
        began = time.perf_counter()
        ours = np.frombuffer(conversation.ask_block("BLOCK?"), "<f8")
        ours_s.append(time.perf_counter() - began)
    conversation.close()
    bare_s = []
    with socket.create_connection(("127.0.0.1", port)) as link:
        for _ in range(ROUNDS):
            began = time.perf_counter()
            link.sendall(b"BLOCK?\n")
            buffer = bytearray(8 + 8 * POINTS + 1)
            view, got = memoryview(buffer), 0
            while got < len(buffer):
                got += link.recv_into(view[got:])
            bare = np.frombuffer(buffer, "<f8", POINTS, offset=8)
            bare_s.append(time.perf_counter() - began)
    assert np.array_equal(ours, bare)
    found = min(ours_s) / min(bare_s)
    print(f"\nblock of {POINTS} points: ours is {found:.1f} times a bare socket")  # noqa: T201
    assert found < 15.0
