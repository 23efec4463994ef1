"""Insulation testers that are asked, polled or listened to: phases, limits, off and proven off.

Over real ports in stepped bench time: dwell and discharge cost nothing, and are exact.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace

import pytest

from drivers.dialect import Dialect, load_dialect
from drivers.errors import InstrumentError, RefusedError
from drivers.insulation_tester import InsulationTester
from drivers.wire import Wire as OurWire
from tests.drivers.insulation_peers import HighVoltage, Request, StartPoll, Stream
from tests.drivers.stepped_wires import Fault, SteppedWires, Wire

START_POLL = "line-insulation-start-poll"
TESTERS: dict[str, type[HighVoltage]] = {
    START_POLL: StartPoll,
    "line-insulation-request": Request,
    "line-insulation-stream": Stream,
}


@dataclass(frozen=True)
class Bench:
    """One tester on one link, and the clock of both."""

    tester: HighVoltage
    wires: SteppedWires
    wire: Wire
    spoken: Dialect
    resource: str

    @contextmanager
    def opened(self, *, only_off: bool = False) -> Iterator[InsulationTester]:
        with InsulationTester.open(
            "insulation", self.resource, self.spoken, self.wires, only_off=only_off
        ) as it:
            yield it

    def seconds(self) -> float:
        return self.wires.now_ns() / 1e9

    def fail(self, kind: str, *, later: int = 0, place: int = 0, seconds: float = 0.0) -> None:
        """Spoil a reply: the next one, or a later one."""
        self.wire.fault = Fault(kind, self.wire.replies + later, place, seconds)


@pytest.fixture(params=["tcp", "serial"])
def link(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@contextmanager
def bench(name: str, link: str) -> Iterator[Bench]:
    wires = SteppedWires()
    spoken = load_dialect(name)
    tester = TESTERS[name](lambda: wires.now_ns() / 1e9)
    ends = spoken.link.command_end.encode(), spoken.link.reply_end.encode()
    wire = Wire(tester, *ends, power_cycle=tester.power_up)
    serve = wires.on_tcp if link == "tcp" else wires.on_pty
    if isinstance(tester, Stream):
        wires.every(0.4, lambda: wires.emit(wire, tester.line().encode() + b"\r\n", 0.0))
    try:
        yield Bench(tester, wires, wire, spoken, serve("insulation", wire))
    finally:
        wires.close()


@pytest.mark.parametrize("name", TESTERS)
def test_a_test_is_started_read_and_stopped_by_each_protocol(link: str, name: str) -> None:
    with bench(name, link) as on, on.opened() as it:
        it.start(60.0)
        assert on.tester.setting == 60
        value = it.read()
        assert value.value == 1.25e9
        assert (value.limit, value.unit, value.quantity) == (None, "ohm", "insulation-resistance")
        applied = it.applied_volts()
        assert applied is not None
        assert applied.value == pytest.approx(60.3, abs=0.1)
        it.stop()
        assert not on.tester.on
        assert on.tester.volts() < 5.0


@pytest.mark.parametrize("name", TESTERS)
@pytest.mark.parametrize(
    ("ohms", "sign", "value", "limit"),
    [("2.000E+12", ">", 2e12, "above"), ("1.000E+06", "<", 1e6, "below")],
)
def test_a_limit_is_kept_as_a_limit(
    link: str, name: str, ohms: str, sign: str, value: float, limit: str
) -> None:
    with bench(name, link) as on, on.opened() as it:
        on.tester.ohms, on.tester.sign = ohms, sign
        it.start(50.0)
        reading = it.read()
        assert (reading.value, reading.limit) == (value, limit)
        it.stop()


@pytest.mark.parametrize("name", TESTERS)
def test_a_voltage_that_the_tester_does_not_have_is_refused_before_it_is_sent(
    link: str, name: str
) -> None:
    with bench(name, link) as on, on.opened() as it:
        on.wire.received.clear()
        for volts in (5.0, 1500.0):
            with pytest.raises(RefusedError, match=r"lowest allowed|highest allowed"):
                it.start(volts)
        assert on.wire.received == []
        assert not on.tester.on


@pytest.mark.parametrize("name", [START_POLL, "line-insulation-stream"])
def test_reading_without_a_test_is_refused_where_the_tester_tells_its_state(
    link: str, name: str
) -> None:
    with (
        bench(name, link) as on,
        on.opened() as it,
        pytest.raises(RefusedError, match="not measuring"),
    ):
        it.read()


def test_a_tester_without_states_has_no_value_before_a_test(link: str) -> None:
    with (
        bench("line-insulation-request", link) as on,
        on.opened() as it,
        pytest.raises(InstrumentError, match="it has no value: '---'"),
    ):
        it.read()


@pytest.mark.parametrize("name", TESTERS)
def test_off_is_proven_by_the_voltage_at_the_terminals_within_two_seconds(
    link: str, name: str
) -> None:
    with bench(name, link) as on, on.opened() as it:
        it.start(500.0)
        on.wires.wait(3.0)
        began = on.seconds()
        it.safe_off()
        assert on.seconds() - began < 2.0
        assert on.tester.volts() < 5.0
        it.safe_off()


@pytest.mark.parametrize("name", TESTERS)
def test_a_killed_process_in_the_middle_of_a_command_leaves_nothing_on(
    link: str, name: str
) -> None:
    with bench(name, link) as on:
        with on.opened() as it:
            it.start(500.0)
            on.wires.wait(3.0)
        killed = OurWire("insulation", on.resource, on.wires)
        killed.send(b"STA", on.wires.now_ns() + 10**9)
        killed.close()
        began = on.seconds()
        with on.opened(only_off=True) as fresh:
            fresh.safe_off()
        assert on.seconds() - began < 2.0
        assert not on.tester.on
        assert on.tester.volts() < 5.0


@pytest.mark.parametrize("name", TESTERS)
def test_a_tester_that_stays_on_is_told_as_not_proven_off(link: str, name: str) -> None:
    with bench(name, link) as on, on.opened() as it:
        it.start(50.0)
        on.tester.stuck_on = True
        with pytest.raises(RefusedError, match=r"NOT PROVEN OFF.*before touching a lead"):
            it.safe_off()
        with pytest.raises(InstrumentError):
            it.stop()


def test_voltage_from_outside_is_told_in_words(link: str) -> None:
    with bench(START_POLL, link) as on, on.opened() as it:
        on.tester.outside_volts = 30.0
        with pytest.raises(RefusedError, match="ERR 6: there is voltage from outside"):
            it.start(50.0)


def test_a_power_cycle_during_a_test_is_no_reading() -> None:
    # a serial line does not show that power was gone
    with bench(START_POLL, "serial") as on, on.opened() as it:
        it.start(500.0)
        it.read()
        on.tester.power_up()
        with pytest.raises(RefusedError, match="not measuring, its state is READY"):
            it.read()


def test_after_a_doubtful_link_a_test_is_stopped_and_started_again_not_read_on(
    link: str,
) -> None:
    with bench(START_POLL, link) as on, on.opened() as it:
        it.start(50.0)
        it.read()
        on.fail("half", place=3)
        with pytest.raises(InstrumentError):
            it.read()
        with pytest.raises(RefusedError, match="stop, then start again"):
            it.read()
        it.stop()
        it.start(50.0)
        assert it.read().value == 1.25e9
        it.stop()


def test_the_newest_line_of_a_stream_is_taken_and_none_twice(link: str) -> None:
    with bench("line-insulation-stream", link) as on, on.opened() as it:
        it.start(50.0)
        it.read()
        on.tester.ohms = "2.500E+09"
        on.wires.wait(60.0)
        first = it.read()
        second = it.read()
        assert first.value == second.value == 2.5e9
        assert on.seconds() - first.ended_ns / 1e9 < 2.0
        assert second.started_ns > first.started_ns


def test_an_error_line_in_a_stream_is_told_and_not_passed_over(link: str) -> None:
    with bench("line-insulation-stream", link) as on, on.opened() as it:
        it.start(500.0)
        on.wires.wait(1.0)
        on.tester.off()  # a hand at the panel; the capacitor is still charged
        with pytest.raises(RefusedError, match="ERR,4: not in this state"):
            it.start(60.0)


def test_a_reading_that_still_moves_is_confirmed_when_it_has_come_near() -> None:
    with bench(START_POLL, "serial") as on, on.opened() as it:
        it.start(50.0)
        it.read()
        moving = iter(["1.000E+09", "1.300E+09", "1.500E+09", "1.520E+09"])
        plain = on.tester.__call__

        def obey(line: str) -> str | None:
            if line.strip() == "READ?":
                on.tester.ohms = next(moving)
            return plain(line)

        on.wire.obey = obey
        assert it.read().value == 1.52e9


def test_patience_is_the_dialects_and_not_the_walls(link: str) -> None:
    with bench(START_POLL, link) as on, on.opened() as it:
        it.start(50.0)
        on.fail("late", seconds=0.9)
        assert it.read().value == 1.25e9
        on.wire.fault = replace(Fault("late", on.wire.replies), seconds=1.1)
        began = on.seconds()
        with pytest.raises(InstrumentError, match="nothing whole came in time"):
            it.read()
        assert on.seconds() - began == pytest.approx(on.spoken.link.reply_s, abs=0.02)
