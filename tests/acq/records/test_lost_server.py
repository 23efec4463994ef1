"""A server that goes away costs nothing: what is missing is simply delivered later."""

from __future__ import annotations

import contextlib
import selectors
import socket
import threading
from collections.abc import Iterator

import pytest
from sqlalchemy import create_engine, make_url, text

from acq.errors import BenchFailure
from acq.records.records import Records
from tests.acq.records.conftest import clean_server
from tests.acq.records.journals import finding, opened


class Cable:
    """A TCP way to the server that can be pulled out and put back."""

    def __init__(self, host: str, port: int) -> None:
        self._server = (host, port)
        self._listener: socket.socket | None = None
        self._ends: list[socket.socket] = []
        self._threads: list[threading.Thread] = []
        self.port = 0
        self.plug_in()

    def plug_in(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", self.port))
        self.port = self._listener.getsockname()[1]
        self._start(self._accept, self._listener)

    def pull_out(self) -> None:
        assert self._listener is not None
        for end in [self._listener, *self._ends]:
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
        for thread in self._threads:
            thread.join(5)
        for end in [self._listener, *self._ends]:
            end.close()
        self._ends.clear()
        self._threads.clear()

    def _start(self, act: object, *args: object) -> None:
        thread = threading.Thread(target=act, args=args, daemon=True)  # type: ignore[arg-type]
        self._threads.append(thread)
        thread.start()

    def _accept(self, listener: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while True:
                near, _ = listener.accept()
                far = socket.create_connection(self._server)
                self._ends += [near, far]
                self._start(_pass_on, near, far)


def _pass_on(near: socket.socket, far: socket.socket) -> None:
    with selectors.DefaultSelector() as selector, contextlib.suppress(OSError):
        selector.register(near, selectors.EVENT_READ, far)
        selector.register(far, selectors.EVENT_READ, near)
        while True:
            for key, _ in selector.select():
                end = key.fileobj
                assert isinstance(end, socket.socket)
                data = end.recv(65536)
                if not data:
                    return
                key.data.sendall(data)


@pytest.fixture
def server() -> str:
    return clean_server()


@pytest.fixture
def cable(server: str) -> Iterator[Cable]:
    url = make_url(server)
    cable = Cable(url.host or "127.0.0.1", url.port or 5432)
    yield cable
    cable.pull_out()


def test_what_could_not_be_delivered_is_delivered_later(server: str, cable: Cable) -> None:
    journal = opened().check("a", finding("first", 1.0))
    through = make_url(server).set(host="127.0.0.1", port=cable.port)
    with Records.open(through.render_as_string(hide_password=False), simulated=True) as records:
        records.deliver(journal.lines)
        cable.pull_out()
        journal.check("b", finding("second", 2.0))
        with pytest.raises(BenchFailure, match="cannot be used"):
            records.deliver(journal.lines)
        journal.close()
        cable.plug_in()
        assert records.close_run(journal.lines).kind == "run-closed"
        assert [f.value for f in records.history("T-000123")[0].findings] == [1.0, 2.0]
        assert records.verify().sound


def test_a_server_that_was_restarted_in_between_is_no_failure(server: str) -> None:
    with Records.open(server, simulated=True) as records:
        records.deliver(opened().check("a", finding()).lines)
        engine = create_engine(server)
        with engine.begin() as connection:
            connection.execute(
                text(
                    "SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
                    " WHERE application_name = 'bridgebench'"
                )
            )
        engine.dispose()
        assert records.delivered_up_to("r-1") == 5
