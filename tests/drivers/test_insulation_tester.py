"""Insulation testers that are asked, polled or listened to: phases, limits, off and proven off."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from drivers.errors import InstrumentError, RefusedError
from drivers.insulation_tester import InsulationTester
from drivers.time import WallTime
from drivers.wire import Wire
from tests.drivers.insulation_peers import HighVoltage, Request, StartPoll, Stream
from tests.drivers.peers import Manners, Peer, Serve, on_pty
from tests.drivers.shapes import quick

NAMES = {
    "line-insulation-start-poll": StartPoll,
    "line-insulation-request": Request,
    "line-insulation-stream": Stream,
}


@contextmanager
def on(serve: Serve, name: str, tester: HighVoltage) -> Iterator[tuple[Peer, InsulationTester]]:
    ends = {
        "line-insulation-start-poll": (b"\n", b"\r\n"),
        "line-insulation-request": (b"\r", b"\r"),
        "line-insulation-stream": (b"\n", b"\r\n"),
    }[name]
    with serve(Peer(tester, line_end=ends[0], reply_end=ends[1])) as peer:
        if isinstance(tester, Stream):
            tester.speak(lambda data: peer.push(data))  # noqa: PLW0108  (a new connection, a new push)
        try:
            with InsulationTester.open("insulation", peer.resource, quick(name), WallTime()) as it:
                yield peer, it
        finally:
            if isinstance(tester, Stream):
                tester.be_quiet()


@pytest.mark.parametrize("name", NAMES)
def test_a_test_is_started_read_and_stopped_by_each_protocol(serve: Serve, name: str) -> None:
    tester = NAMES[name]()
    with on(serve, name, tester) as (_, it):
        it.start(60.0)
        assert tester.setting == 60
        value = it.read()
        assert value.value == 1.25e9
        assert (value.limit, value.unit, value.quantity) == (None, "ohm", "insulation-resistance")
        applied = it.applied_volts()
        assert applied is not None
        assert applied.value == pytest.approx(60.3, abs=3.1)
        it.stop()
        assert tester.volts() < 5.0
        assert not tester.on


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(
    ("ohms", "sign", "value", "limit"),
    [("2.000E+12", ">", 2e12, "above"), ("1.000E+04", "<", 1e4, "below")],
)
def test_a_limit_is_kept_as_a_limit(
    serve: Serve, name: str, ohms: str, sign: str, value: float, limit: str
) -> None:
    if sign == "<" and name != "line-insulation-start-poll":
        ohms, value = "1.000E+06", 1e6  # what the other two can show
    tester = NAMES[name]()
    tester.ohms, tester.sign = ohms, sign
    with on(serve, name, tester) as (_, it):
        it.start(50.0)
        reading = it.read()
        assert (reading.value, reading.limit) == (value, limit)
        it.stop()


@pytest.mark.parametrize("name", NAMES)
def test_a_voltage_that_the_tester_does_not_have_is_refused_before_it_is_sent(
    serve: Serve, name: str
) -> None:
    tester = NAMES[name]()
    with on(serve, name, tester) as (peer, it):
        peer.received.clear()
        for volts in (5.0, 1500.0):
            with pytest.raises(RefusedError, match=r"lowest allowed|highest allowed"):
                it.start(volts)
        assert peer.received == []
        assert not tester.on


@pytest.mark.parametrize("name", ["line-insulation-start-poll", "line-insulation-stream"])
def test_reading_without_a_test_is_refused_where_the_tester_tells_its_state(
    serve: Serve, name: str
) -> None:
    with on(serve, name, NAMES[name]()) as (_, it), pytest.raises(RefusedError, match="measuring"):
        it.read()


@pytest.mark.parametrize("name", NAMES)
def test_off_is_proven_by_the_voltage_at_the_terminals(serve: Serve, name: str) -> None:
    tester = NAMES[name]()
    with on(serve, name, tester) as (_, it):
        it.start(500.0)
        started = time.monotonic()
        it.safe_off()
        assert time.monotonic() - started < 2.0
        assert tester.volts() < 5.0
        it.safe_off()


@pytest.mark.parametrize("name", NAMES)
def test_a_killed_process_in_the_middle_of_a_command_leaves_nothing_on(name: str) -> None:
    tester = NAMES[name]()
    with on(on_pty, name, tester) as (peer, it):
        it.start(500.0)
        it.close()
        wire = Wire("insulation", peer.resource, WallTime())
        wire.send(b"STA", WallTime().now_ns() + 10**9)
        wire.close()
        started = time.monotonic()
        with InsulationTester.open(
            "insulation", peer.resource, quick(name), WallTime(), only_off=True
        ) as fresh:
            fresh.safe_off()
        assert time.monotonic() - started < 2.0
        assert not tester.on
        assert tester.volts() < 5.0


@pytest.mark.parametrize("name", ["line-insulation-start-poll", "line-insulation-request"])
def test_a_tester_that_stays_on_is_told_as_not_proven_off(serve: Serve, name: str) -> None:
    tester = NAMES[name]()
    shipped = quick(name)
    assert shipped.safe_off is not None
    impatient = tuple(step.model_copy(update={"within_s": 0.2}) for step in shipped.safe_off.proof)
    spoken = shipped.model_copy(
        update={"safe_off": shipped.safe_off.model_copy(update={"proof": impatient})}
    )
    ends = (b"\n", b"\r\n") if "poll" in name else (b"\r", b"\r")
    with (
        serve(Peer(tester, line_end=ends[0], reply_end=ends[1])) as peer,
        InsulationTester.open("insulation", peer.resource, spoken, WallTime()) as it,
    ):
        it.start(50.0)
        tester.stuck_on = True
        with pytest.raises(RefusedError, match="NOT PROVEN OFF"):
            it.safe_off()


def test_voltage_from_outside_is_told_in_words(serve: Serve) -> None:
    tester = StartPoll()
    tester.outside_volts = 30.0
    with (
        on(serve, "line-insulation-start-poll", tester) as (_, it),
        pytest.raises(RefusedError, match="ERR 6: there is voltage from outside"),
    ):
        it.start(50.0)


def test_a_power_cycle_during_a_test_is_no_reading() -> None:
    tester = StartPoll()
    with on(on_pty, "line-insulation-start-poll", tester) as (_, it):
        it.start(500.0)
        it.read()
        tester.power_up()
        with pytest.raises(RefusedError, match="not measuring, its state is READY"):
            it.read()


def test_after_a_doubtful_link_a_test_is_stopped_and_started_again_not_read_on(
    serve: Serve,
) -> None:
    tester = StartPoll()
    with on(serve, "line-insulation-start-poll", tester) as (peer, it):
        it.start(50.0)
        it.read()
        peer.behave(Manners(cut_after=3, times=1))
        with pytest.raises(InstrumentError):
            it.read()
        with pytest.raises(RefusedError, match="stop, then start again"):
            it.read()
        it.stop()
        it.start(50.0)
        assert it.read().value == 1.25e9
        it.stop()


def test_the_newest_line_of_a_stream_is_taken_and_none_twice(serve: Serve) -> None:
    tester = Stream()
    with on(serve, "line-insulation-stream", tester) as (_, it):
        it.start(50.0)
        it.read()
        tester.ohms = "2.500E+09"
        time.sleep(0.2)
        first = it.read()
        second = it.read()
        assert first.value == second.value == 2.5e9
        assert second.started_ns > first.started_ns
        it.stop()


def test_an_error_line_in_a_stream_is_told_and_not_passed_over(serve: Serve) -> None:
    tester = Stream()
    with on(serve, "line-insulation-stream", tester) as (_, it):
        it.start(50.0)
        tester._on_at = None  # somebody pressed OFF while a capacitor is still charged
        tester._off_at = time.monotonic()
        with pytest.raises(RefusedError, match=r"not in this state|not measuring|was set"):
            it.start(60.0)
