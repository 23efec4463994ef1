"""The channels of a log: which instrument reads what, and how it becomes rows of a log."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from acq.analysis.leads import Lead
from acq.bench.bench import Bench, Request
from acq.bench.connections import Connection, volts
from acq.readings.reading import Reading
from drivers.dmm import Dmm
from drivers.dmm_blocks import BlockReader, ValueBlock


@dataclass(frozen=True, slots=True)
class Channel:
    """One column: what is asked of whom, and between which leads where it is a meter."""

    code: int
    name: str
    request: Request
    across: tuple[Lead, Lead] | None = None

    def as_json(self) -> dict[str, Any]:
        """What the log's first note keeps of it."""
        units = {"temperature": "degC"}
        return {
            "name": self.name,
            "quantity": self.request.quantity,
            "unit": units.get(self.request.quantity, "V"),
            "instrument": self.request.role,
        }

    def joined(self, connection: Connection) -> Connection:
        """Return a connection with its joins added."""
        if self.across is None:
            return connection
        return connection | volts(*self.across, role=self.request.role)

    def read(self, bench: Bench, connection: Connection) -> Reading:
        """Take one reading in this connection. Raises InstrumentError, BenchFailure."""
        return bench.read(self.request, connection)


def in_blocks(bench: Bench, channel: Channel) -> bool:
    """Whether the meter of a channel can give its readings in blocks."""
    meter = bench.roles.get(channel.request.role)
    if not isinstance(meter, Dmm):
        return False
    quantity = meter.dialect.quantities.get(channel.request.quantity)
    return quantity is not None and quantity.block is not None


class Bursts:
    """A meter that fills block after block; an iterator would hide that it is under way."""

    def __init__(
        self, bench: Bench, channel: Channel, connection: Connection, count: int, *, zero: bool
    ) -> None:
        self._bench, self._channel, self._connection = bench, channel, connection
        self._count, self._zero = count, zero
        meter = bench.roles.get(channel.request.role)
        assert isinstance(meter, Dmm)
        self._meter = meter
        self._reader = BlockReader(meter)

    def next(self, *, again: bool = True) -> ValueBlock:
        """Return the next block; `again` False: nothing is under way afterwards."""
        request = self._channel.request
        if not self._reader.running:
            self._meter.configure(request.quantity, range_=request.range_, plc=request.plc or 1.0)
            self._bench.connect(self._connection)
            self._reader.begin(
                request.quantity,
                self._count,
                range_=request.range_,
                plc=request.plc or 1.0,
                automatic_zero=self._zero,
            )
        return self._reader.take(again=again)

    def rest(self) -> Iterator[ValueBlock]:
        """Yield what is still under way, and put the meter back to single readings."""
        if self._reader.running:
            yield self._reader.take(again=False)
        self._reader.end()
