"""The links themselves: real TCP ports and pseudo-terminals, and what goes wrong on them."""

from __future__ import annotations

import errno
import os
import socket
import termios
from pathlib import Path
from typing import Any

import pytest

from simulated_bench.process import BenchProcessError, Leader
from simulated_bench.scenario import Scenario
from simulated_bench.wire_faults import FaultError, Faults, WireFault, read_fault
from tests.simulated_bench.serving import led

VERSION = "1999.0"


def arm(bench: Leader, wire: str = "dmm", **fault: Any) -> None:
    keys = {key.rstrip("_"): value for key, value in fault.items()}
    bench.hand("wire-fault", wire=wire, **keys)


def version(bench: Leader, seconds: float = 1.0) -> str:
    return bench.ask("dmm", "SYST:VERS?", seconds)


def test_a_late_reply_comes_later_and_looks_like_the_next_one() -> None:
    with led() as bench:
        bench.open("dmm")
        arm(bench, kind="late", for_=2.0)
        with pytest.raises(TimeoutError):
            version(bench)
        bench.advance(0.5)
        order = [bench.write("dmm", "*OPC?")]
        assert bench.line("dmm", order=order) == "1"
        assert bench.line("dmm") == VERSION


def test_half_a_reply_never_ends() -> None:
    with led() as bench:
        bench.open("dmm")
        arm(bench, kind="half")
        with pytest.raises(TimeoutError):
            version(bench)
        assert bench.discard("dmm") == b"199"
        assert version(bench) == VERSION


def test_a_split_reply_pauses_in_the_middle() -> None:
    with led() as bench:
        bench.open("dmm")
        arm(bench, kind="split", byte=4, for_=5.0)
        with pytest.raises(TimeoutError):
            version(bench, 4.0)
        assert bench.line("dmm", 2.0) == VERSION


def test_a_stale_reply_repeats_the_one_before() -> None:
    with led() as bench:
        assert bench.ask("dmm", "*OPC?") == "1"
        arm(bench, kind="stale")
        assert version(bench) == "1"
        assert version(bench) == VERSION


def test_an_extra_line_follows_the_reply() -> None:
    with led() as bench:
        bench.open("dmm")
        arm(bench, kind="extra", text="+1.5E-03")
        assert version(bench) == VERSION
        assert bench.line("dmm", 0.1) == "+1.5E-03"


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        ({"kind": "corrupted", "byte": 2}, "1y99.0"),  # 9 (39h) with bit 6 turned over: y (79h)
        ({"kind": "corrupted", "byte": 1, "mask": 1}, "0999.0"),
        ({"kind": "non-ascii", "byte": 3}, "19\xb599.0"),
        ({"kind": "prompt", "text": "dmm> "}, VERSION),
    ],
)
def test_bytes_are_damaged_where_the_fault_says(fault: dict[str, Any], said: str) -> None:
    with led() as bench:
        bench.open("dmm")
        arm(bench, **fault)
        assert version(bench) == said


def test_a_prompt_stands_between_the_lines() -> None:
    with led() as bench:
        bench.open("dmm")
        arm(bench, kind="prompt", text="> ")
        assert version(bench) == VERSION
        assert version(bench) == "> " + VERSION


def test_an_echo_sends_back_what_it_got() -> None:
    with led() as bench:
        bench.open("insulation")
        arm(bench, "insulation", kind="echo")
        assert bench.ask("insulation", "VOLT?") == "VOLT?"
        assert bench.line("insulation") == "VOLT=50V"


def test_a_banner_greets_each_new_connection() -> None:
    with led() as bench:
        arm(bench, kind="banner", text="WELCOME")
        for _ in range(2):
            bench.open("dmm")
            assert version(bench) == "WELCOME"
            assert bench.line("dmm") == VERSION


def test_silence_swallows_as_many_lines_as_it_is_told() -> None:
    with led() as bench:
        bench.open("dmm")
        arm(bench, kind="silent", line=2, times=2)
        assert version(bench) == VERSION
        for _ in range(2):
            with pytest.raises(TimeoutError):
                version(bench)
        assert version(bench) == VERSION
        arm(bench, kind="silent", times=0)
        with pytest.raises(TimeoutError):
            version(bench)
        arm(bench, kind="none")
        assert version(bench) == VERSION


def test_a_link_closed_in_the_middle_of_a_reply_is_lost_with_the_bytes_so_far() -> None:
    with led() as bench:
        bench.open("dmm")
        arm(bench, kind="closed", byte=3)
        link = bench._links["dmm"]
        assert isinstance(link, socket.socket)
        with pytest.raises(ConnectionError):
            version(bench)
        assert "dmm" in bench.lost
        assert bench.discard("dmm") == b"19"
        assert link.recv(10) == b""
        bench.open("dmm")
        assert "dmm" not in bench.lost
        assert version(bench) == VERSION


def test_a_reset_link_says_so() -> None:
    with led() as bench:
        bench.open("dmm")
        arm(bench, kind="reset", byte=1)
        link = bench._links["dmm"]
        assert isinstance(link, socket.socket)
        with pytest.raises(ConnectionError):
            version(bench)
        with pytest.raises(ConnectionResetError):
            link.recv(10)


def test_waiting_for_a_closed_link_ends_at_once() -> None:
    with led() as bench:
        bench.open("dmm")
        arm(bench, kind="closed", time=3.0)
        with pytest.raises(ConnectionError):
            bench.line("dmm", 1000.0)
        assert bench.seconds == pytest.approx(3.0)


def test_an_unplugged_instrument_refuses_until_it_is_plugged_in() -> None:
    with led() as bench:
        bench.open("dmm")
        bench.hand("unplug", wire="dmm")
        with pytest.raises(ConnectionRefusedError):
            bench.open("dmm")
        assert "dmm" in bench.advance(0)["lost"]
        bench.hand("plug", wire="dmm")
        bench.open("dmm")  # at the same address
        assert version(bench) == VERSION


def test_a_fault_may_strike_among_received_bytes() -> None:
    with led() as bench:
        bench.open("supply")
        arm(bench, "supply", kind="closed", received=7)
        bench.say("supply", "OUTP ON")  # cut before its end
        bench.open("supply")
        assert bench.ask("supply", "OUTP?") == "0"
        arm(bench, "supply", kind="closed", received=8)
        bench.say("supply", "OUTP ON")
        bench.advance(0.1)
        bench.open("supply")
        assert bench.ask("supply", "OUTP?") == "1"


def test_mains_that_fail_take_settings_and_connection_with_them() -> None:
    with led() as bench:
        bench.say("dmm", "CONF:FRES 1000", 0.1)
        arm(bench, kind="restarted", byte=3, for_=5.0)
        with pytest.raises(ConnectionError):
            version(bench)
        with pytest.raises(ConnectionRefusedError):
            bench.open("dmm")
        bench.advance(6.0)
        bench.open("dmm")
        assert bench.ask("dmm", "FUNC?") == '"VOLT"'


def test_a_serial_adapter_vanishes_and_comes_back_under_its_name() -> None:
    with led() as bench:
        bench.open("insulation")
        path = Path(bench._resources["insulation"][4:].partition("::")[0])
        line = bench._links["insulation"]
        assert isinstance(line, int)
        bench.hand("unplug", wire="insulation")
        assert not path.exists()
        with pytest.raises(OSError, match="output error") as caught:  # the far end has gone
            os.write(line, b"ID?\n")
        assert caught.value.errno == errno.EIO
        with pytest.raises(FileNotFoundError):
            bench.open("insulation")
        bench.hand("plug", wire="insulation")
        assert bench.ask("insulation", "VOLT?") == "VOLT=50V"


def test_a_serial_line_keeps_half_a_command_over_a_new_opening() -> None:
    with led() as bench:
        bench.say("insulation", b"ST")
        bench.open("insulation")
        assert bench.ask("insulation", b"ATE?\n") == "READY"


def test_at_another_speed_both_ends_of_a_serial_line_read_rubbish() -> None:
    table = {"instruments": {"insulation": {"baud": 9600}}}
    with led(Scenario.model_validate(table)) as bench:
        bench.open("insulation")
        line = bench._links["insulation"]
        assert isinstance(line, int)
        for speed, understood in ((termios.B2400, False), (termios.B9600, True)):
            settings = termios.tcgetattr(line)
            settings[4] = settings[5] = speed
            termios.tcsetattr(line, termios.TCSANOW, settings)
            bench.say("insulation", "", 1.0)  # ends what the rubbish may have begun
            bench.discard("insulation")
            bench.say("insulation", "VOLT?", 1.0)
            assert (bench.discard("insulation") == b"VOLT=50V\r\n") is understood


def test_a_new_tcp_connection_starts_with_an_empty_line() -> None:
    with led() as bench:
        bench.say("dmm", b"SYST:VE")
        bench.open("dmm")
        assert version(bench) == VERSION


def test_bytes_sent_before_a_client_went_away_are_still_obeyed() -> None:
    with led() as bench:
        order = [bench.write("supply", "VOLT 7")]
        bench.hang_up("supply")
        bench.advance(0.1, order=order)
        assert bench.ask("supply", "VOLT?") == "+7.00000000E+00"


def test_faults_of_a_scenario_are_armed_from_the_start() -> None:
    faults = [{"wire": "dmm", "kind": "corrupted", "line": 2, "byte": None}]
    with led(Scenario.model_validate({"wire_fault": faults})) as bench:
        assert version(bench) == VERSION
        assert version(bench) != VERSION


@pytest.mark.parametrize(
    ("order", "key"),
    [
        ({"kind": "sulk"}, "kind"),
        ({"kind": "late", "line": 0}, "line"),
        ({"kind": "late", "line": 1.5}, "line"),
        ({"kind": "late", "line": 1, "byte": 1}, "byte"),
        ({"kind": "late", "for": -1}, "for"),
        ({"kind": "late", "speed": 1}, "speed"),
        ({"kind": "corrupted", "mask": 0}, "mask"),
        ({"kind": "late", "times": -1}, "times"),
    ],
)
def test_a_fault_that_cannot_be_is_refused_by_its_key(order: dict[str, Any], key: str) -> None:
    with pytest.raises(FaultError, match=f"^{key}: "):
        read_fault(order)
    with led() as bench, pytest.raises(BenchProcessError, match=key):
        arm(bench, **order)


@pytest.mark.parametrize(("byte", "lines"), [(1, 0), (7, 0), (8, 1), (14, 1), (15, 2)])
def test_a_byte_is_counted_over_lines(byte: int, lines: int) -> None:
    faults = Faults()
    faults.arm(WireFault("corrupted", byte=byte))
    sent = [b"".join(p.data for p in faults.send(b"123456\n", 0)) for _ in range(3)]
    assert [line != b"123456\n" for line in sent] == [lines == n for n in range(3)]
    assert sent[lines][(byte - 1) % 7] == b"123456\n"[(byte - 1) % 7] ^ 0x40
