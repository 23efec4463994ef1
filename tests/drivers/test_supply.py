"""The supply's driver: what is set is read back, what cannot be is said first, off is proven."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

from drivers.dialect import Dialect
from drivers.errors import LinkLostError, RefusedError
from drivers.supply import Supply
from drivers.time import WallTime
from drivers.wire import Wire
from tests.drivers.instruments_met import PowerSupply
from tests.drivers.peers import Manners, Peer, Serve, on_pty, on_tcp
from tests.drivers.shapes import dialect, quick


@contextmanager
def opened(peer: Peer, spoken: Dialect, **more: Any) -> Iterator[Supply]:
    with Supply.open("supply", peer.resource, spoken, WallTime(), **more) as supply:
        yield supply


def test_a_supply_is_programmed_switched_and_read(serve: Serve) -> None:
    with serve(Peer(PowerSupply())) as peer, opened(peer, quick("scpi-supply")) as supply:
        supply.program(5.0, 0.02, 6.0, True)
        assert supply.is_off()
        supply.switch_on()
        assert not supply.is_off()
        assert supply.read("voltage").value == 5.0
        assert supply.read("current").value == pytest.approx(5.0 / 350.0, rel=1e-4)
        supply.switch_off()
        assert supply.is_off()
        assert supply.has_tripped() is False
    told = [line for line in peer.received if " " in line]
    assert told == [
        "VOLT 5", "VOLT:SENS:SOUR EXT", "CURR 0.02", "VOLT:PROT 6", "VOLT 5", "OUTP ON", "OUTP OFF",
    ]  # fmt: skip


def test_volts_go_down_before_the_protection_does(serve: Serve) -> None:
    supply_ = PowerSupply()
    with serve(Peer(supply_)) as peer, opened(peer, quick("scpi-supply")) as supply:
        supply.program(10.0, 0.1, 12.0)
        supply.switch_on()
        supply.program(1.0, 0.1, 1.2)
        assert not supply.is_off()
        assert supply.read("voltage").value == 1.0
        supply.program(10.0, 0.1, 12.0)
        assert supply.read("voltage").value == 10.0


def test_a_current_limit_shows_in_the_measured_voltage(serve: Serve) -> None:
    with serve(Peer(PowerSupply())) as peer, opened(peer, quick("scpi-supply")) as supply:
        supply.program(5.0, 0.001)
        supply.switch_on()
        assert supply.read("voltage").value == pytest.approx(0.35)


def test_a_value_out_of_range_is_refused_with_the_supplys_own_words(serve: Serve) -> None:
    with (
        serve(Peer(PowerSupply())) as peer,
        opened(peer, quick("scpi-supply")) as supply,
        pytest.raises(RefusedError, match=r"volts was set 40, it says 0.*-222 Data out of"),
    ):
        supply.program(40.0, 0.02)


def test_a_tripped_protection_is_named_and_never_cleared(serve: Serve) -> None:
    supply_ = PowerSupply()
    with serve(Peer(supply_)) as peer, opened(peer, quick("scpi-supply")) as supply:
        supply.program(5.0, 0.02, 6.0)
        supply_.tripped = True
        with pytest.raises(RefusedError, match="protection has tripped: find the reason"):
            supply.switch_on()
        assert supply.has_tripped() is True
    assert not any("CLE" in line for line in peer.received)


def test_a_supply_that_stays_on_is_told_as_not_proven_off(serve: Serve) -> None:
    supply_ = PowerSupply()
    with serve(Peer(supply_)) as peer, opened(peer, quick("scpi-supply")) as supply:
        supply.program(5.0, 0.02)
        supply.switch_on()
        supply_.stuck_on = True
        with pytest.raises(RefusedError, match="the output is not off"):
            supply.switch_off()
        with pytest.raises(RefusedError, match=r"NOT PROVEN OFF.*switch it off at its panel"):
            supply.safe_off()
        supply_.stuck_on = False
        supply.safe_off()


def test_off_is_told_without_a_word_before_it_and_proven_after_a_kill(serve: Serve) -> None:
    supply_ = PowerSupply()
    with serve(Peer(supply_)) as peer:
        with opened(peer, quick("scpi-supply")) as supply:
            supply.program(5.0, 0.02)
            supply.switch_on()
        wire = Wire("supply", peer.resource, WallTime())
        wire.send(b"VOLT 3", WallTime().now_ns() + 10**9)  # killed in the middle of a command
        wire.close()
        peer.received.clear()
        started = time.monotonic()
        with opened(peer, quick("scpi-supply"), only_off=True) as supply:
            supply.safe_off()
        assert time.monotonic() - started < 2.0
    assert not supply_.on
    said = [line for line in peer.received if line]
    assert said[said.index("OUTP OFF") + 1 :][:2] == ["OUTP?", "MEAS:VOLT?"]
    assert "*IDN?" not in said


@pytest.mark.parametrize("cut", [0, 1, 3])
def test_off_is_proven_although_the_link_misbehaves_on_the_way(serve: Serve, cut: int) -> None:
    supply_ = PowerSupply()
    with serve(Peer(supply_)) as peer, opened(peer, quick("scpi-supply")) as supply:
        supply.program(5.0, 0.02)
        supply.switch_on()
        peer.behave(Manners(cut_after=cut, times=1))
        supply.safe_off()
        assert supply.is_off()


def test_a_lost_link_is_not_proven_off() -> None:
    with on_tcp(Peer(PowerSupply())) as peer:
        supply = Supply.open("supply", peer.resource, quick("scpi-supply"), WallTime())
    with pytest.raises(LinkLostError):
        supply.safe_off()
    supply.close()
    supply.close()


SELECTED = """
role = "supply"
about = "two outputs, chosen by name"
options = { output = "OUT1" }
[link]
reply_s = 0.5
longest_reply_s = 0.6
[[select]]
tell = "INST {output}"
ask = "INST?"
reply = "(?P<output>OUT[0-9])"
[supply]
program = [
    { tell = "VOLT {volts}", ask = "VOLT?", reply = "(?P<volts>{number})" },
    { tell = "CURR {amps_limit}", ask = "CURR?", reply = "(?P<amps_limit>{number})" },
]
on = [{ tell = "OUTP ON" }]
off = [{ tell = "OUTP OFF" }]
state = { ask = "STAT:OPER:COND?", reply = "(?P<value>{number})", bit = 3 }
[safe_off]
tell = ["INST {output}", "OUTP OFF"]
proof = [{ ask = "OUTP?", reply = "0" }]
"""


class TwoOutputs:
    """Outputs 1 and 2; the state is bit 3 of a register; output numbers come back as +n."""

    def __init__(self) -> None:
        self.chosen = "OUT1"
        one, two = PowerSupply(), PowerSupply()
        self.outputs = {"OUT1": one, "OUT2": two, "1": one, "2": two}

    def __call__(self, line: str) -> str | None:
        first, joined, second = line.partition(";:")
        if joined:
            self(first)
            return self(second)
        header, _, argument = line.partition(" ")
        if header in ("INST", "INST:NSEL"):
            if argument in self.outputs:
                self.chosen = argument
            return None
        if line == "INST?":
            return self.chosen
        if line == "INST:NSEL?":
            return f"+{self.chosen}"
        if line == "STAT:OPER:COND?":
            return str(16 + 8 * self.outputs[self.chosen].on)
        if "(@" in line:
            return self._listed(line)
        return self.outputs[self.chosen](line)

    def any_on(self) -> bool:
        return any(output.on for output in self.outputs.values())

    def power_up(self) -> None:
        self.chosen = "OUT1"
        for output in self.outputs.values():
            output.power_up()

    def _listed(self, line: str) -> str | None:
        """Take the channel list out of the line: it is its last parameter."""
        rest, _, number = line.partition("(@")
        output = self.outputs.get(number.rstrip(")"))
        return None if output is None else output(rest.rstrip(", "))


@pytest.mark.parametrize(
    ("spoken", "output"),
    [
        (dialect(SELECTED), "OUT2"),
        (quick("scpi-supply-select"), "2"),
        (quick("scpi-supply-list"), "2"),
    ],
    ids=["by name", "by number", "by channel list"],
)
def test_only_the_chosen_output_is_spoken_to(serve: Serve, spoken: Dialect, output: str) -> None:
    outputs = TwoOutputs()
    with (
        serve(Peer(outputs)) as peer,
        opened(peer, spoken, options={"output": output}) as supply,
    ):
        supply.program(5.0, 0.02)
        supply.switch_on()
        assert not supply.is_off()
        outputs.chosen = "1"  # a hand at the panel
        if spoken.quantities:
            assert supply.read("voltage").value == 5.0
        supply.safe_off()
        assert supply.is_off()
    assert outputs.outputs["2"].settings["VOLT"] == "5"
    assert outputs.outputs["1"].settings["VOLT"] == "0"
    assert not outputs.any_on()


def test_an_option_that_the_dialect_does_not_have_is_refused(serve: Serve) -> None:
    with (
        serve(Peer(PowerSupply())) as peer,
        pytest.raises(RefusedError, match="has no option 'output'; it has none"),
    ):
        Supply.open(
            "supply", peer.resource, quick("scpi-supply"), WallTime(), options={"output": "2"}
        )


# A supply without SCPI: packed digits, an acknowledgement of every setting, two-line answers,
# 0 switches on, no error queue, no protection, no remote sense.
PACKED = """
role = "supply"
about = "packed digits, acknowledged, inverted switch"
[link]
command_end = "\\r"
reply_end = "\\r"
reply_s = 0.5
longest_reply_s = 0.6
[acknowledgement]
pattern = "OK"
[values.volts]
format = "03.0f"
scale = 10.0
most = 30.0
[values.amps_limit]
format = "03.0f"
scale = 1000.0
round = "down"
[supply]
program = [
    { tell = "VOLT{volts}", ask = "GETS", reply = { pattern = '(?P<volts>\\d{3})\\d{3}\\nOK', lines = 2 } },
    { tell = "CURR{amps_limit}", ask = "GETS", reply = { pattern = '\\d{3}(?P<amps_limit>\\d{3})\\nOK', lines = 2 } },
]
on = [{ tell = "SOUT0" }]
off = [{ tell = "SOUT1" }]
[safe_off]
tell = ["SOUT1"]
proof = [{ ask = "GETD", reply = { pattern = '(?P<value>\\d{4})\\d{4}[01]\\nOK', lines = 2, scale = 0.01 }, below = 0.5, within_s = 1.0 }]
[quantities.voltage]
unit = "V"
[quantities.voltage.reading]
ask = "GETD"
reply = { pattern = '(?P<value>\\d{4})\\d{4}[01]\\nOK', lines = 2, scale = 0.01 }
"""  # noqa: E501


class Packed:
    def __init__(self) -> None:
        self.volts = self.milliamperes = 0
        self.on = False

    def __call__(self, line: str) -> str | bytes | None:
        if line.startswith("VOLT"):
            self.volts = int(line[4:])
        elif line.startswith("CURR"):
            self.milliamperes = int(line[4:])
        elif line.startswith("SOUT"):
            self.on = line == "SOUT0"
        elif line == "GETS":
            return b"%03d%03d\rOK" % (self.volts, self.milliamperes)
        elif line == "GETD":
            return b"%04d%04d0\rOK" % (self.volts * 10 if self.on else 1, 143)
        elif line:
            return "ERR"
        return "OK" if line else None


def test_a_supply_with_packed_digits_and_inverted_switch_is_only_another_file(serve: Serve) -> None:
    packed = Packed()
    with (
        serve(Peer(packed, line_end=b"\r", reply_end=b"\r")) as peer,
        opened(peer, dialect(PACKED)) as supply,
    ):
        supply.program(5.0, 0.0209)
        assert (packed.volts, packed.milliamperes) == (50, 20)
        supply.switch_on()
        assert supply.read("voltage").value == 5.0
        assert not supply.is_off()
        supply.safe_off()
        assert supply.is_off()
        peer.received.clear()
        with pytest.raises(RefusedError, match="no over-voltage protection"):
            supply.program(5.0, 0.02, 6.0)
        with pytest.raises(RefusedError, match="no remote sense"):
            supply.program(5.0, 0.02, None, True)
        with pytest.raises(RefusedError, match="above the highest allowed, 30"):
            supply.program(31.0, 0.02)
        with pytest.raises(RefusedError, match="does not read current"):
            supply.read("current")
        assert peer.received == []


def test_what_a_supply_cannot_do_is_known_before_it_is_opened() -> None:
    assert dialect(PACKED).absent == (
        "over-voltage protection", "remote sense", "output state", "current",
    )  # fmt: skip
    assert quick("scpi-supply").absent == ()


REMOTE_FIRST = """
role = "supply"
about = "obeys on its serial port only after SYST:REM"
[link]
reply_s = 0.5
longest_reply_s = 0.6
[serial]
remote = ["SYST:REM"]
local = ["SYST:LOC"]
[supply]
program = [
    { tell = "VOLT {volts}", ask = "VOLT?", reply = "(?P<volts>{number})" },
    { tell = "CURR {amps_limit}", ask = "CURR?", reply = "(?P<amps_limit>{number})" },
]
on = [{ tell = "OUTP ON" }]
off = [{ tell = "OUTP OFF" }]
state = { ask = "OUTP?", reply = "(?P<on>1)|(?P<off>0)" }
[safe_off]
tell = ["OUTP OFF"]
proof = [{ ask = "OUTP?", reply = "0" }]
"""


@pytest.mark.parametrize("before", [None, "REMOTE FIRST PLEASE"])
def test_remote_is_told_first_and_local_last_and_only_on_a_serial_line(before: str | None) -> None:
    supply_ = PowerSupply()
    state = {"remote": False}

    def obey(line: str) -> str | None:
        if line in ("SYST:REM", "SYST:LOC"):
            state["remote"] = line == "SYST:REM"
            return None
        if not line:
            return None
        return supply_(line) if state["remote"] else before

    with on_pty(Peer(obey)) as peer:
        with opened(peer, dialect(REMOTE_FIRST)) as supply:
            supply.program(5.0, 0.02)
            supply.switch_on()
        end = time.monotonic() + 5.0
        while state["remote"] and time.monotonic() < end:
            time.sleep(0.01)
        assert not state["remote"]
        with opened(peer, dialect(REMOTE_FIRST), only_off=True) as supply:
            supply.safe_off()
        assert not supply_.on
    with on_tcp(Peer(supply_)) as peer, opened(peer, dialect(REMOTE_FIRST)) as supply:
        supply.program(5.0, 0.02)
        assert "SYST:REM" not in peer.received
