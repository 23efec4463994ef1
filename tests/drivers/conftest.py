"""Links for tests: every peer is served on real bytes, over TCP and over a pseudo terminal."""

from __future__ import annotations

import pytest

from drivers.time import WallTime
from tests.drivers.peers import Serve, on_pty, on_tcp


@pytest.fixture(params=[on_tcp, on_pty], ids=["tcp", "serial"])
def serve(request: pytest.FixtureRequest) -> Serve:
    """Serve a peer on each kind of link that can be had without hardware."""
    chosen: Serve = request.param
    return chosen


@pytest.fixture
def clock() -> WallTime:
    return WallTime()
