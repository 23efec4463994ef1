"""The instruments' links: loopback TCP ports and pseudo-terminals, one selector, no threads."""

from __future__ import annotations

from simulated_bench.pty_wire import PtyWire
from simulated_bench.tcp_wire import TcpWire
from simulated_bench.wire import Device, Wire

__all__ = ["Device", "PtyWire", "TcpWire", "Wire"]
