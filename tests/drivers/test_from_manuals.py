"""Dialects written from a manual's text alone, before the drivers' code was known to the writer.

The manuals in `from_manuals/` are invented; each peer here is written from the same text. What
the dialect language could not say at first: counts worth what the range digit beside them says
(now `scales`), a power of ten in a field of its own (now the group `exponent`), an echo of the very
characters (now `echo = "characters"`), and an option in the identification's question.
"""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

import pytest

from drivers.dialect import load_dialect
from drivers.dmm import Dmm
from drivers.errors import InstrumentError, RefusedError
from drivers.insulation_tester import InsulationTester
from drivers.supply import Supply
from drivers.time import WallTime
from tests.drivers.peers import Peer, on_tcp

FOLDER = Path(__file__).with_name("from_manuals")
METER = FOLDER / "meter-with-packed-replies.toml"
TESTER = FOLDER / "insulation-tester-with-states.toml"
SUPPLY = FOLDER / "supply-with-inverted-switches.toml"


class PackedMeter:
    """The meter of `meter-with-packed-replies.md`."""

    COUNT: ClassVar = {"1": (1e-6, 1e-5, 1e-4), "3": (1e-3, 1e-2, 1e-1), "4": (1e-3, 1e-2, 1e-1)}

    def __init__(self) -> None:
        self.function, self.range, self.integration, self.state = "1", "3", "0", "A"
        self.true = {"1": -0.0123456, "3": 350.12, "4": 351.5}
        self.last = ""

    def __call__(self, line: str) -> str:
        match line[:1], line[1:]:
            case "Z", "9":
                return "M48 V2.1"
            case "F", "1" | "3" | "4" as digit:
                self.function = digit
            case "R", "0":
                self.range = "2"
            case "R", "1" | "2" | "3" as digit:
                self.range = digit
            case "I", "0" | "1" as digit:
                self.integration = digit
            case "F" | "R" | "I" as what, "?":
                kept = {"F": self.function, "R": self.range, "I": self.integration}
                return what + kept[what]
            case "T", "":
                worth = self.COUNT[self.function][int(self.range) - 1]
                counts = round(self.true[self.function] / worth)
                self.last = f"{self.function}{self.range}{counts:+07d}{self.state}"
                return self.last
            case "L", "":
                return self.last
            case _:
                return "#1"
        return "="


class StatesTester:
    """The tester of `insulation-tester-with-states.md`; each look at the state takes it on."""

    def __init__(self, result: str = "1250,+06,P") -> None:
        self.result, self.state, self.setting = result, 0, "2"

    def __call__(self, line: str) -> str:
        word, _, argument = line.partition(" ")
        volts = {0: "0000", 4: "0000"}.get(self.state, "0051")
        match word:
            case ":WHO":
                return "WHO=INSULATION TESTER,REV 3"
            case ":VT":
                self.setting = argument or self.setting
                return "ACK" if argument else f"VT={self.setting}"
            case ":GO":
                self.state = 1 if self.state == 0 else self.state
                return "ACK"
            case ":HALT":
                self.state = 4 if self.state in (1, 2, 3) else self.state
                return "ACK"
            case ":ST":
                said = f"ST={self.state}"
                self.state = {1: 2, 2: 3, 4: 0}.get(self.state, self.state)
                return said
            case ":VX":
                return f"VX={volts}"
            case ":RX":
                early = "RX=----,---,N" if self.state == 2 else "NAK5"
                return f"RX={self.result}" if self.state == 3 else early
        return "NAK1"


class InvertedSupply:
    """Output A of the supply of `supply-with-inverted-switches.md`, into 350 ohm."""

    def __init__(self) -> None:
        self.kept = {"VS": "00000", "IS": "0000", "OP": "33000", "SN": "1"}
        self.on, self.tripped = True, False  # as the last user left it

    def gives(self) -> bool:
        """Whether the output is on."""
        return self.on

    def __call__(self, line: str) -> str:
        if not line.endswith("A"):
            return "-1"
        line = line[:-1]
        volts = int(self.kept["VS"]) if self.on else 0
        match line[:3], line[3:]:
            case "?ID", "":
                return "TWIN SUPPLY/0/1.7"
            case "?ST", "":
                return f"ST{0xA0 | (not self.on) | self.tripped << 3:02X}"
            case "?VM", "":
                return f"VM{volts:05d} C"
            case "?IM", "":
                return f"IM{round(volts / 35.0):04d}"
            case "SW0", "":
                self.on = not self.tripped
            case "SW1", "":
                self.on = False
            case query, "" if query[:1] == "?" and query[1:] in self.kept:
                return query[1:] + self.kept[query[1:]]
            case _ if line[:2] in self.kept and line[2:].isdigit():
                self.kept[line[:2]] = line[2:]
            case _:
                return "-1"
        return "+"


def test_a_meter_with_packed_replies_reads_volts_and_ohms_of_each_range() -> None:
    meter = PackedMeter()
    peer = Peer(meter, line_end=b"\r", reply_end=b"\n\r", greeting=b"*RDY\n\r")
    with (
        on_tcp(peer),
        Dmm.open("dmm", peer.resource, load_dialect(str(METER)), WallTime()) as dmm,
    ):
        volts = dmm.measure("dc-voltage", range_=0.1, plc=10.0)
        assert volts.value == pytest.approx(-0.012346, abs=1e-12)
        assert volts.raw.endswith("11-012346A") or "11-012346A" in volts.raw
        ohms = dmm.measure("resistance", range_=1000.0, plc=1.0)
        assert ohms.value == pytest.approx(350.12, abs=1e-9)
        meter.state = "B"
        over = dmm.measure("resistance", range_=200.0)
        assert (over.value, over.limit) == (None, "above")
        meter.state = "D"
        with pytest.raises(InstrumentError, match="'D'"):
            dmm.measure("resistance", range_=200.0)


@pytest.mark.parametrize(
    ("result", "value", "limit"),
    [
        ("1250,+06,P", 1.25e9, None),
        ("9999,+99,N", None, "above"),
        ("0000,+00,N", None, "below"),
        ("0350,-01,F", 35.0, None),
    ],
)
def test_a_tester_with_states_is_polled_and_gives_mantissa_and_exponent(
    result: str, value: float | None, limit: str | None
) -> None:
    tester = StatesTester(result)
    peer = Peer(tester, line_end=b"\r", reply_end=b"\r\n", echo=True)
    dialect = load_dialect(str(TESTER))
    with (
        on_tcp(peer),
        InsulationTester.open("insulation", peer.resource, dialect, WallTime()) as it,
    ):
        it.start(50.0)
        found = it.read()
        assert (found.value, found.limit) == (
            None if value is None else pytest.approx(value, rel=1e-12),
            limit,
        )
        it.stop()
    assert tester.state == 0
    assert ":VT 2" in peer.received


def test_a_tester_with_its_lid_open_gives_an_error() -> None:
    tester = StatesTester()
    peer = Peer(tester, line_end=b"\r", reply_end=b"\r\n", echo=True)
    dialect = load_dialect(str(TESTER))
    with (
        on_tcp(peer),
        InsulationTester.open("insulation", peer.resource, dialect, WallTime()) as it,
    ):
        it.start(50.0)
        tester.state = 7
        with pytest.raises(InstrumentError):
            it.read()
        tester.state = 4


def test_a_supply_with_inverted_switches_is_off_when_its_bit_is_one() -> None:
    box = InvertedSupply()
    peer = Peer(box, line_end=b"\r\n", reply_end=b"\r\n")
    with (
        on_tcp(peer),
        Supply.open("supply", peer.resource, load_dialect(str(SUPPLY)), WallTime()) as supply,
    ):
        supply.safe_off()
        assert not box.gives()
        assert supply.is_off()
        supply.program(5.0, 0.02, 6.5, remote_sense=True)
        assert box.kept == {"VS": "05000", "IS": "0200", "OP": "06500", "SN": "0"}
        supply.switch_on()
        assert box.gives()
        assert supply.read("voltage").value == pytest.approx(5.0)
        assert supply.read("current").value == pytest.approx(0.0143)
        supply.switch_off()
        assert not box.gives()
        box.tripped = True
        with pytest.raises(InstrumentError):
            supply.switch_on()
    assert not box.gives()


def test_what_the_supply_refuses_is_told_by_its_meaning() -> None:
    peer = Peer(lambda line: "TWIN SUPPLY/0/1.7" if line == "?IDA" else "-2")
    peer.line_end = peer.reply_end = b"\r\n"
    dialect = load_dialect(str(SUPPLY))
    with (
        on_tcp(peer),
        Supply.open("supply", peer.resource, dialect, WallTime()) as supply,
        pytest.raises(RefusedError, match="number"),
    ):
        supply.program(5.0, 0.02, 6.5, remote_sense=True)
